"""OBD-II live-data logger and analyser: reads a car, keeps the evidence, proves a repair."""

__version__ = "0.1.0"
