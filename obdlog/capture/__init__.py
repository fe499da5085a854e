"""Captures of a CAN bus: diagnostic messages out of recorded frames, and frames out of messages."""
