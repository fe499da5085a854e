"""ISO 15765-2 in both directions against can-isotp on the other end, and published examples.

The other end is python-can's virtual bus with units written on can-isotp, which chooses block
size and separation time; the examples are printed in public tutorials.
"""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from obdlog.model import EcuMessage, Outcome, Request
from obdlog.transport.can_channels import CanFrame, Channel, sound
from obdlog.transport.registry import open_transport
from tests.transport.can_units import CLASSIC, FarEnd, Unit

LENGTHS = (7, 8, 13, 14, 62, 120, 300)
SHORT_TIMES_MS = {0x00: 0.0, 0x01: 1.0, 0x05: 5.0, 0x7F: 127.0} | {
    0xF0 + n: n / 10 for n in range(1, 10)
}
RESERVED = (0x80, 0xF0, 0xFA, 0xFF)


def echoed(unit: Unit, payloads: list[bytes]) -> tuple[list[list[EcuMessage]], FarEnd]:
    """Send each payload to `unit`, which sends it back; return what came, and the far end."""
    unit.table["0100"] = CLASSIC
    answers = []
    with FarEnd(unit) as far:
        transport = open_transport(far.url)
        try:
            transport.connect()
            for payload in payloads:
                request = Request(payload, f"{unit.request:03X}")
                exchange = transport.exchange(request)
                assert (exchange.outcome, exchange.note) == (Outcome.ANSWERED, "")
                answers.append(list(exchange.messages))
        finally:
            transport.close()
    return answers, far


def requests(seed: int) -> list[bytes]:
    chance = random.Random(seed)
    return [b"\x22" + chance.randbytes(length - 1) for length in LENGTHS]


@pytest.mark.parametrize("block_size", range(16))
def test_any_block_size_is_honoured_and_every_byte_arrives(block_size: int) -> None:
    unit = Unit(0x7E0, 0x7E8, functional=True, echo=True, block_size=block_size)
    asked = requests(block_size)
    answers, far = echoed(unit, asked)
    assert unit.asked[1:] == [payload.hex().upper() for payload in asked]
    assert [m.payload for messages in answers for m in messages] == [
        b"\x62" + payload[1:] for payload in asked
    ]
    run = longest = 0
    for _, identifier, data in far.seen:
        kind = data[0] >> 4
        run = 0 if kind == 3 and identifier == 0x7E8 else run + (kind == 2 and identifier == 0x7E0)
        longest = max(longest, run)
    assert longest == (block_size or 42)  # 300 bytes are a first frame and 42 others


@pytest.mark.parametrize("coded", SHORT_TIMES_MS, ids=lambda coded: f"{coded:02X}")
def test_the_separation_time_passes_between_frames(coded: int) -> None:
    """ISO-15765-2: 00 to 7F are milliseconds, F1 to F9 are 100 to 900 µs."""
    unit = Unit(0x7E0, 0x7E8, functional=True, echo=True, separation=coded, block_size=2)
    asked = b"\x22" + bytes(range(20 if coded == 0x7F else 60))
    answers, far = echoed(unit, [asked])
    assert [m.payload for m in answers[0]] == [b"\x62" + asked[1:]]
    assert usual_gap_ms(far) >= 0.95 * SHORT_TIMES_MS[coded]


@pytest.mark.parametrize("coded", RESERVED, ids=lambda coded: f"{coded:02X}")
def test_a_reserved_separation_time_is_the_longest_one(coded: int) -> None:
    """CAN-ISOTP-147: 127 ms. can-isotp alone would refuse the frame."""
    unit = Unit(0x7E0, 0x7E8, functional=True, echo=True, separation=coded)
    asked = b"\x22" + bytes(range(19))
    answers, far = echoed(unit, [asked])
    assert [m.payload for m in answers[0]] == [b"\x62" + asked[1:]]
    assert usual_gap_ms(far) >= 0.95 * 127.0


def usual_gap_ms(far: FarEnd) -> float:
    """Return the median time between two consecutive frames of ours in one block [ms].

    Other work of the machine may move a single frame.
    """
    frames = [(at_s, data[0] >> 4) for at_s, identifier, data in far.arrived if identifier == 0x7E0]
    blocks = far.units[0].block_size or len(frames)
    sent = [at_s for at_s, kind in frames if kind == 2]
    gaps = [
        (later - earlier) * 1000.0
        for number, (earlier, later) in enumerate(pairwise(sent), start=1)
        if number % blocks
    ]
    assert gaps
    return sorted(gaps)[len(gaps) // 2]


@pytest.mark.parametrize("wide", [False, True], ids=["11 bit", "29 bit"])
@pytest.mark.parametrize("length", [1, 6, 7, 8, 13, 14, 20, 21, 4095, 4096, 5000])
def test_answers_of_any_length_arrive_whole(length: int, wide: bool) -> None:
    """4096 bytes and more have the long form of the first frame."""
    payload = b"\x62" + random.Random(length).randbytes(length + 1)
    identifiers = (0x18DA10F1, 0x18DAF110) if wide else (0x7E0, 0x7E8)
    ask = "22" + payload[1:3].hex().upper()
    unit = Unit(*identifiers, functional=True)
    unit.table |= {"0100": CLASSIC, ask: payload.hex()}
    with FarEnd(unit) as far:
        transport = open_transport(f"{far.url}?ext={wide:d}")
        transport.connect()
        exchange = transport.exchange(Request(bytes.fromhex(ask), f"{identifiers[0]:X}"))
        transport.close()
    assert [(m.source, m.payload) for m in exchange.messages] == [(f"{identifiers[1]:X}", payload)]


class TestPublishedExamples:
    def test_a_request_of_fifteen_bytes(self) -> None:
        """TP-DIAGNOSIS: four frames on 7E0 and 7E8, padded with 55 there and with 00 here."""
        sent: list[str] = []
        channel = Channel("7E0", "7E8", lambda f: sent.append(f"{f.identifier}#{f.data.hex()}"))
        channel.send(bytes.fromhex("2EF0100405060708090A0B0C0D0E0F"))
        channel.pump()
        assert sent == ["7E0#100f2ef010040506"]
        feed(channel, "300A0A5555555555")
        while channel.sending:  # 10 ms stand between its frames
            channel.pump()
        assert sent[1:] == ["7E0#210708090a0b0c0d", "7E0#220e0f0000000000"]

    def test_an_answer_in_one_frame(self) -> None:
        """TP-FRAMES: 03 01 31 51 55… is answered by 06 41 31 1D E6 51 01 55."""
        channel = Channel("7E0", "7E8", lambda _: None)
        assert feed(channel, "0641311DE6510155") == ["41311DE65101"]

    def test_an_answer_of_fifteen_bytes_begins(self) -> None:
        """TP-FRAMES: 07 01 0B 0C 0D 0E 0F 10 is answered by 10 0F 41 0B 21 0C 0C 38.

        The tutorial prints the first frame; nine bytes are still to come.
        """
        sent: list[str] = []
        channel = Channel("7E0", "7E8", lambda f: sent.append(f"{f.identifier}#{f.data.hex()}"))
        assert feed(channel, "100F410B210C0C38") == []
        assert channel.receiving
        assert sent[0].startswith("7E0#30")
        assert feed(channel, "2100000000000000") == []
        assert feed(channel, "2200005555555555") == ["410B210C0C38" + "00" * 9]

    def test_six_codes_frame_by_frame(self) -> None:
        """UDS-19-LISTS: the answer to 19 02 09, 27 bytes in four frames."""
        channel = Channel("7E0", "7E8", lambda _: None)
        assert feed(
            channel, "101B59020991B612", "2108A4131508D318", "223108A6431408A7", "23322108A8901308"
        ) == ["59020991B61208A4131508D3183108A6431408A7322108A8901308"]


def feed(channel: Channel, *texts: str) -> list[str]:
    messages = []
    for text in texts:
        good = sound(CanFrame(channel.response, bytes.fromhex(text)))
        assert good is not None
        messages += [m.hex().upper() for m in channel.feed(good)]
    return messages
