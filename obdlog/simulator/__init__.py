"""A simulated car behind a simulated adapter; product code reaches it through ``sim://``."""

from obdlog.simulator.profile import scenarios

__all__ = ["scenarios"]
