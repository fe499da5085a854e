"""Measures of speed and size, printed as ratios: ``python -m tests.benchmarks``."""
