"""Frames as the adapter prints them: with and without headers, on every bus."""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.simulator.buses import BusKind
from obdlog.simulator.frames import Frame


@dataclass(slots=True)
class Style:
    """Printing options of the adapter dialect, at their defaults."""

    headers: bool = False
    spaces: bool = True
    formatting: bool = True
    lengths: bool = False
    pads: bool = False


def hex_text(data: bytes, *, spaces: bool) -> str:
    """Return bytes as the dialect prints them; with spaces there is one behind each byte."""
    return "".join(f"{b:02X} " for b in data) if spaces else data.hex().upper()


def print_frame(frame: Frame, kind: BusKind, style: Style) -> list[str]:
    """Return the lines that one frame makes."""
    if not kind.is_can:
        if style.headers:
            whole = frame.header + frame.data + frame.check
            return [hex_text(whole, spaces=style.spaces)]
        return [hex_text(frame.data, spaces=style.spaces)]
    return _can_lines(frame, kind, style)


def _can_lines(frame: Frame, kind: BusKind, style: Style) -> list[str]:
    kind_of_frame = frame.data[0] >> 4
    if style.headers or not style.formatting:
        single = kind_of_frame == 0 and style.formatting and not style.pads
        body = frame.data[: frame.used] if single else frame.data
        text = hex_text(body, spaces=style.spaces)
        return [_header(frame.source, kind, style) + text if style.headers else text]
    if kind_of_frame == 0:
        return [hex_text(frame.data[1 : frame.used], spaces=style.spaces)]
    if kind_of_frame == 1:
        length = int.from_bytes(frame.data[:2], "big") & 0x0FFF
        return [f"{length:03X}", _numbered(0, frame.data[2:], style)]
    return [_numbered(frame.data[0] & 0x0F, frame.data[1:], style)]


def _numbered(number: int, data: bytes, style: Style) -> str:
    gap = " " if style.spaces else ""
    return f"{number:X}:{gap}" + hex_text(data, spaces=style.spaces)


def _header(identifier: int, kind: BusKind, style: Style) -> str:
    if kind.id_bits == 11:
        text = f"{identifier:03X}" + (" " if style.spaces else "")
    else:
        text = hex_text(identifier.to_bytes(4, "big"), spaces=style.spaces)
    if style.lengths:
        text += "8 " if style.spaces else "8"
    return text
