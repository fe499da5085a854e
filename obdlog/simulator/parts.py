"""What the records of every profile share."""

from __future__ import annotations

import msgspec


class Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A table of a profile; an unknown key is an error."""


class Manners(Part, frozen=True):
    """How a unit behaves under load: services (hex) → number of 7F xx 78 or 7F xx 21 first.

    `gap_ms` is the time from one 7F xx 78 to the next answer [ms].
    """

    pending: dict[str, int] = {}
    busy: dict[str, int] = {}
    gap_ms: float = 40.0
