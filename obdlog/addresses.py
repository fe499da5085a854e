"""Addresses of the legislated modules: which name they get, and on which buses they are.

References
----------
ISO 15765-4 fixes the identifiers 7E0–7E7 / 7E8–7EF and 18DAxxF1 / 18DAF1xx. That the first of
them is the engine and the second the transmission is common practice (the standard recommends
it); SAE J2178-1 gives source addresses 10–17 to engine and 18–1F to transmission control (from
memory).
"""

from __future__ import annotations

ENGINE = "engine control"
"""Name of the module that runs the engine, as `module_name` gives it."""

TRANSMISSION = "transmission control"

LEGISLATED_REQUESTS = frozenset(f"{number:03X}" for number in range(0x7E0, 0x7E8))
LEGISLATED_RESPONSES = frozenset(f"{number:03X}" for number in range(0x7E8, 0x7F0))
"""11-bit identifiers at which the legislated modules are asked, and from which they answer."""

_CAN_11 = {0x7E8: ENGINE, 0x7E9: TRANSMISSION}


def on_older_bus(address: str) -> bool:
    """Return whether `address` is one of the buses before CAN: two hexadecimal digits."""
    return len(address) == 2


def source_byte(address: str) -> int | None:
    """Return the one-byte source address in `address`, None for an 11-bit identifier."""
    if on_older_bus(address) or (len(address) == 8 and address.upper().startswith("18DAF1")):
        return int(address[-2:], 16)
    return None


def module_name(address: str) -> str:
    """Return a plain name for the module that answers from `address`."""
    try:
        if len(address) == 3:
            return _CAN_11.get(int(address, 16), f"module {address}")
        source = source_byte(address)
    except ValueError:
        source = None
    if source is not None and 0x10 <= source <= 0x17:
        return ENGINE
    if source is not None and 0x18 <= source <= 0x1F:
        return TRANSMISSION
    return f"module {address}"


def titled(name: str, address: str) -> str:
    """Return name and address of a module for a sentence; a neutral name holds its address."""
    return name if name.endswith(f" {address}") else f"{name} ({address})"
