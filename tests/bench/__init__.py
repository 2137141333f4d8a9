"""Benchmarks: each prints a table with a baseline measured in the same run. None is a test."""

# It says how many threads numpy is to have, as for our commands, before anybody imports numpy.
import companion.learn  # noqa: F401
