"""Readings whose time stamps lie far away from all others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.data import SessionData

FAR_S = 86_400.0
"""A silence of a day parts two drives, or follows from a clock that jumped (our own limit)."""

FEW = 0.05
"""A stretch with a smaller share of readings than this, beside the largest, is no drive."""


def without_strays(data: SessionData) -> tuple[SessionData, str]:
    """Return the session without the few readings a day or more away from all others.

    The second value says in one sentence what was left out; it is empty where nothing was.
    """
    at_s = data.readings["at_s"].to_numpy()
    cuts = np.flatnonzero(np.diff(at_s) >= FAR_S) + 1
    sizes = np.diff(np.concatenate(([0], cuts, [at_s.size])))
    stays = sizes >= FEW * sizes.max()
    if stays.all():
        return data, ""
    kept = np.repeat(stays, sizes)
    start_s, end_s = float(at_s[kept][0]), float(at_s[kept][-1])
    count = int((~kept).sum())
    away_s = float(np.maximum(start_s - at_s[~kept], at_s[~kept] - end_s).max())
    session = replace(
        data,
        readings=data.readings[kept].reset_index(drop=True),
        marks=tuple(m for m in data.marks if start_s - FAR_S < m.at_s < end_s + FAR_S),
        gaps=tuple(g for g in data.gaps if g.end_s > start_s and g.start_s < end_s),
        end_s=min(data.end_s, end_s + FAR_S),
    )
    readings = "1 reading" if count == 1 else f"{count} readings"
    where = f"up to {away_s / FAR_S:,.0f} days" if away_s >= FAR_S else "a day or more"
    return session, f"Left out: {readings}, {where} away from all others."
