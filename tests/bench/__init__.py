"""Benchmarks: each prints a table with a baseline measured in the same run. None is a test."""
