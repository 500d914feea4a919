"""Compiled kernels of the flow stage: plain functions on arrays."""
