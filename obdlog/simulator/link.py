"""The ``sim://`` link: a simulated adapter in a simulated car, in process."""

from __future__ import annotations

from typing import Any

from obdlog.clock import Clock, ManualClock, SystemClock
from obdlog.errors import LinkClosedError
from obdlog.simulator.adapter import Adapter
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.personality import load_personality

_PACES = ("simulated", "real")
_TRUE = {"1": True, "true": True, "yes": True, "0": False, "false": False, "no": False}


class SimLink:
    """A `Link` to a simulated car.

    In simulated pace waiting costs no time: `read` moves the link's own clock to the moment at
    which bytes arrive. Options come from the URL's query and may be text.

    Parameters
    ----------
    personality
        Character of the adapter; by default the one that the scenario names.
    realtime
        Same as ``pace="real"``.
    drive, cleared, start_s
        See `SimulatedCar`; `start_s` is `engine_start_after_s` [s].
    car
        An existing car to plug into; then scenario and drive options are the car's.

    Raises
    ------
    LinkOpenError
        There is no such scenario, drive or personality.
    ValueError
        An option is unknown or has no meaning.
    """

    def __init__(
        self,
        scenario: str = "healthy-petrol",
        seed: int | str = 1,
        personality: str | None = None,
        realtime: bool = False,
        *,
        pace: str | None = None,
        drive: str | None = None,
        cleared: bool | str = False,
        start_s: float | str = 10.0,
        car: SimulatedCar | None = None,
        **unknown: Any,
    ) -> None:
        if unknown:
            raise ValueError(f"a simulated car has no option {', '.join(sorted(unknown))}")
        if pace is not None and pace not in _PACES:
            raise ValueError(f"pace is one of {', '.join(_PACES)}, not {pace!r}")
        if car is None:
            clock: Clock = SystemClock() if realtime or pace == "real" else ManualClock()
            car = SimulatedCar(
                scenario,
                int(seed),
                clock,
                drive=drive,
                cleared=_truth("cleared", cleared),
                engine_start_after_s=float(start_s),
            )
        self.car = car
        self.clock = car.clock
        self.url = f"sim://{car.profile.scenario}"
        nature = load_personality(personality or car.profile.personality)
        self._adapter = Adapter(car, nature, car.seed)
        self._open = True

    def read(self, timeout_s: float) -> bytes:
        """Return what has arrived, waiting at most `timeout_s` [s]."""
        self._check()
        end = self.clock.now_s() + max(timeout_s, 0.0)
        due = self._adapter.next_due_s()
        wake = end if due is None else min(due, end)
        self.clock.sleep_s(wake - self.clock.now_s())
        # A sleep may end a rounding error early; bytes due at `wake` have arrived by then.
        return self._adapter.due(max(self.clock.now_s(), wake))

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        self._check()
        self._adapter.receive(data, self.clock.now_s())

    def set_baud(self, baud: int) -> None:
        """Do nothing: a simulated link has no speed of its own."""

    def close(self) -> None:
        """Unplug; harmless when called twice."""
        self._open = False

    def _check(self) -> None:
        if not self._open:
            raise LinkClosedError("the simulated link was closed")


def _truth(name: str, value: bool | str) -> bool:
    if isinstance(value, bool):
        return value
    if value.lower() not in _TRUE:
        raise ValueError(f"{name} is 1 or 0, not {value!r}")
    return _TRUE[value.lower()]
