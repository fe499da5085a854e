"""A simulated car behind a simulated adapter; product code reaches it through ``sim://``."""

from obdlog.simulator.personality import personalities
from obdlog.simulator.profile import drive_names, scenarios

__all__ = ["drive_names", "personalities", "scenarios"]
