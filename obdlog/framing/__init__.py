"""Headers, checksums and reassembly: adapter lines in, one message per ECU out; pure."""

from __future__ import annotations

from obdlog.framing.assemble import Assembled, assemble

__all__ = ["Assembled", "assemble"]
