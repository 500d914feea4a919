"""Comparisons with published data: reference files, computed quantities, metrics, report."""
