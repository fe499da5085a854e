"""Settings that AT commands change, and the commands that only set something."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from obdlog.simulator.printer import Style

_TIMEOUT_UNIT_S = 0.004096
_DEFAULT_TIMEOUT = 0x32

_ACCEPTED = re.compile(
    r"AL|NL|BI|CSM[01]|FE|FI|IB(10|12|15|48|96)|IIA[0-9A-F]{2}|J[EHS]"
    r"|JHF[01]|KW[01]|LP|M[01]|PB[0-9A-F]{4}|R[AD][0-9A-F]{0,2}|SI|SR[0-9A-F]{2}|SS"
    r"|SW[0-9A-F]{2}|TA[0-9A-F]{2}|V[01]|WM[0-9A-F]{2,12}|PP[0-9A-F]{2}(ON|OFF|SV[0-9A-F]{2})"
    r"|BRT[0-9A-F]{2}|SD[0-9A-F]{2}"
)
"""Commands that have no effect in the simulation and are answered with OK."""


_RESPONSES = {11: (0x7E8, 0x7F8), 29: (0x18DAF100, 0x1FFFFF00)}
"""Width → identifier and mask of the legislated units' answers (ISO 15765-4)."""


def _is_legislated(response: int, id_bits: int) -> bool:
    wanted, mask = _RESPONSES[id_bits]
    return response & mask == wanted


@dataclass(slots=True)
class Settings:
    """Everything that ``ATD`` restores, at its defaults; `protocol` "0" means automatic."""

    saved_protocol: str = "0"
    protocol: str = "0"
    automatic: bool = True
    echo: bool = True
    linefeeds: bool = False
    style: Style = field(default_factory=Style)
    adaptive: int = 1
    timeout_s: float = _DEFAULT_TIMEOUT * _TIMEOUT_UNIT_S
    header: int | None = None
    priority: int = 0x18
    filter: int | None = None
    mask: int = 0x1FFF_FFFF
    flow_control: bool = True
    flow_mode: int = 0
    flow_header: int | None = None
    flow_data: bytes = b""
    responses: bool = True
    volt_offset: float = 0.0

    def __post_init__(self) -> None:
        self.automatic = self.protocol == "0"

    def restore(self) -> None:
        """Go back to the defaults; the protocol stays."""
        fresh = Settings(self.saved_protocol, self.protocol)
        fresh.automatic = self.automatic
        for name in self.__slots__:
            setattr(self, name, getattr(fresh, name))

    def apply(self, command: str) -> bool:
        """Obey a setting command (without ``AT``); False when it is unknown."""
        for pattern, setter in _SETTERS:
            match = pattern.fullmatch(command)
            if match:
                return setter(self, match) is not False
        return _ACCEPTED.fullmatch(command) is not None

    def passes(self, identifier: int, id_bits: int = 11) -> bool:
        """Whether the CAN filter lets this identifier through; unset, only legislated ones."""
        if self.filter is None:
            return _is_legislated(identifier, id_bits)
        return (identifier ^ self.filter) & self.mask == 0

    def flows(self, request: int, response: int, id_bits: int = 11) -> bool:
        """Whether the unit at these identifiers gets a flow control that lets it go on.

        By itself the adapter knows only where the legislated units listen.
        """
        if not self.flow_control:
            return False
        if self.flow_mode and self.flow_data[:1] and self.flow_data[0] != 0x30:
            return False
        if self.flow_mode != 1:
            return _is_legislated(response, id_bits)
        header = self.flow_header if self.flow_header is not None else -1
        if id_bits == 29 and 0 <= header <= 0xFF_FFFF:
            header |= self.priority << 24
        return header == request

    @property
    def separation_s(self) -> float:
        """Time between consecutive frames that the flow control asks for [s]."""
        asked = self.flow_data[2] if self.flow_mode and len(self.flow_data) > 2 else 0
        if 0xF1 <= asked <= 0xF9:
            return max((asked - 0xF0) * 1e-4, 0.001)
        return max(min(asked, 0x7F) / 1000.0, 0.001)


def _set_protocol(settings: Settings, match: re.Match[str]) -> bool | None:
    digits = match["digits"]
    automatic = len(digits) == 2
    if automatic and digits[0] not in "0A":
        return False
    number = digits[-1]
    settings.automatic = automatic or number == "0"
    settings.protocol = "0" if settings.automatic else number
    if match["kind"] == "S":
        settings.saved_protocol = settings.protocol
    return None


def _set_filter(settings: Settings, match: re.Match[str]) -> None:
    text = match["id"]
    if not text:
        _receive_automatically(settings, match)
        return
    settings.filter = int(text.replace("X", "0"), 16)
    settings.mask = int("".join("0" if c == "X" else "F" for c in text), 16)


def _receive_automatically(settings: Settings, _: re.Match[str]) -> None:
    settings.filter, settings.mask = None, 0x1FFF_FFFF


def _set_match(settings: Settings, match: re.Match[str]) -> None:
    settings.filter = int(match["id"], 16)


def _set_mask(settings: Settings, match: re.Match[str]) -> None:
    settings.mask = int(match["id"], 16)


def _set_flow_mode(settings: Settings, match: re.Match[str]) -> bool | None:
    mode = int(match["mode"])
    if (mode and not settings.flow_data) or (mode == 1 and settings.flow_header is None):
        return False
    settings.flow_mode = mode
    return None


def _set_timeout(settings: Settings, match: re.Match[str]) -> None:
    ticks = int(match["ticks"], 16) or _DEFAULT_TIMEOUT
    settings.timeout_s = ticks * _TIMEOUT_UNIT_S


def _calibrate(settings: Settings, match: re.Match[str]) -> None:
    # The simulation has no measuring fault to correct; 0000 undoes, anything else is taken as is.
    settings.volt_offset = 0.0 if int(match["volts"]) == 0 else settings.volt_offset


def _flag(name: str) -> Callable[[Settings, re.Match[str]], bool | None]:
    def setter(settings: Settings, match: re.Match[str]) -> bool | None:
        owner: object = settings.style if hasattr(settings.style, name) else settings
        setattr(owner, name, match["on"] == "1")
        return None

    return setter


def _number(name: str, group: str) -> Callable[[Settings, re.Match[str]], bool | None]:
    def setter(settings: Settings, match: re.Match[str]) -> bool | None:
        setattr(settings, name, int(match[group], 16))
        return None

    return setter


def _set_flow_data(settings: Settings, match: re.Match[str]) -> None:
    settings.flow_data = bytes.fromhex(match["data"])


_SETTERS: tuple[tuple[re.Pattern[str], Callable[[Settings, re.Match[str]], bool | None]], ...] = (
    (re.compile(r"E(?P<on>[01])"), _flag("echo")),
    (re.compile(r"L(?P<on>[01])"), _flag("linefeeds")),
    (re.compile(r"H(?P<on>[01])"), _flag("headers")),
    (re.compile(r"S(?P<on>[01])"), _flag("spaces")),
    (re.compile(r"D(?P<on>[01])"), _flag("lengths")),
    (re.compile(r"CAF(?P<on>[01])"), _flag("formatting")),
    (re.compile(r"CFC(?P<on>[01])"), _flag("flow_control")),
    (re.compile(r"R(?P<on>[01])"), _flag("responses")),
    (re.compile(r"(?P<kind>[ST])P(?P<digits>[0-9A-C]|[0A][0-9A-C])"), _set_protocol),
    (re.compile(r"AT(?P<level>[012])"), _number("adaptive", "level")),
    (re.compile(r"ST(?P<ticks>[0-9A-F]{2})"), _set_timeout),
    (re.compile(r"SH(?P<id>[0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})"), _number("header", "id")),
    (re.compile(r"CP(?P<priority>[0-9A-F]{2})"), _number("priority", "priority")),
    (re.compile(r"CRA(?P<id>|[0-9A-FX]{3}|[0-9A-FX]{8})"), _set_filter),
    (re.compile(r"AR"), _receive_automatically),
    (re.compile(r"CF(?P<id>[0-9A-F]{3}|[0-9A-F]{8})"), _set_match),
    (re.compile(r"CM(?P<id>[0-9A-F]{3}|[0-9A-F]{8})"), _set_mask),
    (re.compile(r"FCSH(?P<id>[0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})"), _number("flow_header", "id")),
    (re.compile(r"FCSD(?P<data>(?:[0-9A-F]{2}){1,5})"), _set_flow_data),
    (re.compile(r"FCSM(?P<mode>[012])"), _set_flow_mode),
    (re.compile(r"CV(?P<volts>[0-9]{4})"), _calibrate),
)
