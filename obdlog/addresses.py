"""Addresses of the legislated modules: which name they get, and who answers whom.

References
----------
ISO 15765-4 fixes the identifiers 7E0–7E7 / 7E8–7EF and 18DAxxF1 / 18DAF1xx. That the first of
them is the engine and the second the transmission is common practice (the standard recommends
it); SAE J2178-1 gives source addresses 10–17 to engine and 18–1F to transmission control (from
memory).
"""

from __future__ import annotations

_CAN_11 = {0x7E8: "engine control", 0x7E9: "transmission control"}


def source_byte(address: str) -> int | None:
    """Return the one-byte source address in `address`, None for an 11-bit identifier."""
    if len(address) == 2 or (len(address) == 8 and address.upper().startswith("18DAF1")):
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
        return "engine control"
    if source is not None and 0x18 <= source <= 0x1F:
        return "transmission control"
    return f"module {address}"


def request_target(address: str) -> str | None:
    """Return the request identifier that reaches the module answering from `address`.

    None where only functional requests are standardised (the older buses).
    """
    if len(address) == 3 and 0x7E8 <= int(address, 16) <= 0x7EF:
        return f"{int(address, 16) - 8:03X}"
    if len(address) == 8 and address.upper().startswith("18DAF1"):
        return f"18DA{address[-2:].upper()}F1"
    return None
