"""Data of one PID to readings (services 01 and 02)."""

from __future__ import annotations

from obdlog.errors import DecodeError
from obdlog.model import Bus, Reading
from obdlog.tables.context import EMPTY, Context
from obdlog.tables.layout import fields, read_fields
from obdlog.tables.signals import lengths

__all__ = ["EMPTY", "Context", "decode_pid", "likely_lengths", "settled_lengths"]

SECOND_BYTE_BANK = {
    **dict.fromkeys((0x06, 0x07, 0x55, 0x56), 0x30),
    **dict.fromkeys((0x08, 0x09, 0x57, 0x58), 0xC0),
}
"""Bits of PID 1D that give a trim PID its second byte (bank 3, bank 4)."""

_LENGTHENED = frozenset((0x81, 0x82, 0x83, 0x89, 0x8A))
"""PIDs that newer editions of SAE J1979 made longer."""


def decode_pid(
    pid: int,
    data: bytes,
    context: Context = EMPTY,
    *,
    bus: Bus = Bus.CAN,  # noqa: ARG001 - every decoder takes it; PID data are the same on all buses
) -> tuple[Reading, ...]:
    """Return the readings in a PID's data, one per signal.

    A value is None where the car says that it is not available: its support bit is clear, or the
    data hold the code for it.

    Parameters
    ----------
    pid
        Parameter identifier, 0 to 255.
    data
        The bytes after the PID.
    context
        What the same ECU said in PIDs 13, 1D, 4F and 50.
    bus
        Family of the bus; has no influence here.

    Raises
    ------
    DecodeError
        The PID is not in the table, or the data have a length that it never has.
    """
    try:
        layout = fields(pid, len(data), context)
    except DecodeError as error:
        error.payload = bytes(data)
        raise
    return read_fields(layout, data)


def likely_lengths(pid: int, context: Context = EMPTY) -> tuple[int, ...]:
    """Return the lengths [bytes] a PID may have, the most likely first.

    Where PID 1D is known it tells whether the trims of banks 3 and 4, and with them a second
    byte, exist. Of PIDs that grew, the newer form comes first. Nothing is ruled out: a car may
    contradict itself.
    """
    allowed = lengths(pid)
    known = context.known(0x1D)
    bank = SECOND_BYTE_BANK.get(pid)
    if pid in _LENGTHENED or (known and bank is not None and known[0] & bank):
        return allowed[::-1]
    return allowed


def settled_lengths(pid: int, context: Context = EMPTY) -> tuple[int, ...]:
    """Return the lengths [bytes] a PID may have when what the car says of its banks is taken."""
    found = likely_lengths(pid, context)
    return found[:1] if pid in SECOND_BYTE_BANK and context.known(0x1D) else found
