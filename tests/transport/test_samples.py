"""What a recorded session holds of each PID, whatever requests it was asked in."""

from __future__ import annotations

from obdlog.model import EcuMessage, Exchange, Outcome, Request
from obdlog.transport.samples import Samples


def exchange(ask: str, reply: str) -> Exchange:
    message = EcuMessage("7E8", bytes.fromhex(reply))
    return Exchange(0.0, Request(bytes.fromhex(ask)), (message,), Outcome.ANSWERED)


def test_a_pid_is_found_in_a_reply_to_several() -> None:
    samples = Samples([exchange("010C0D", "410C1AF80D32")])
    found = samples.answer(Request(b"\x01\x0d"), None)
    assert found is not None
    assert [m.payload.hex().upper() for m in found.messages] == ["410D32"]


def test_trims_of_two_bytes_are_told_apart() -> None:
    """SAE J1979: bank 3 of PID 1D (17: bit 4) gives PIDs 06 and 07 a second byte."""
    samples = Samples([exchange("010D1D", "410D321D17"), exchange("010607", "410688900778" + "70")])
    found = samples.answer(Request(b"\x01\x07"), None)
    assert found is not None
    assert [m.payload.hex().upper() for m in found.messages] == ["41077870"]
