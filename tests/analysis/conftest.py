"""Sessions built from a few numbers instead of a file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.columns import Column, frame_of
from analysis.data import SessionData

Build = Callable[..., SessionData]


@pytest.fixture
def build_session() -> Build:
    """Return a function: signal → (times [s], values), or values at 2 Hz, to a session."""

    def build(
        signals: Mapping[str, Any], *, header: Mapping[str, Any] | None = None, source: str = "7E8"
    ) -> SessionData:
        columns = []
        for name, given in signals.items():
            at_s, value = given if isinstance(given, tuple) else (None, given)
            value = np.asarray(value, dtype=np.float64)
            at_s = np.arange(value.size) / 2.0 if at_s is None else np.asarray(at_s, np.float64)
            columns.append(Column(source, name, at_s, value))
        frame = frame_of(columns)
        end_s = float(frame["at_s"].iloc[-1]) if len(frame) else 0.0
        return SessionData(Path("built"), header or {}, frame, end_s=end_s)

    return build
