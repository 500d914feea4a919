"""Measured records held against the model: logger files, instruments, statistics and fits."""
