"""Measures of a velocity series: effective speed, intervals, gusts, spectra. Plain arrays in."""
