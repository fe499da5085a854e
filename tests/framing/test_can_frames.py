"""ISO 15765-2 reassembly from adapter lines: what comes out, and what never does.

References: ISO 15765-2 (frame types, sequence numbers 1…F then 0, first-frame lengths),
ISO 15765-4 (identifiers). VIN: invented, with a valid check digit by 49 CFR 565.15.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from obdlog.adapter.protocols import PROTOCOLS
from obdlog.framing import assemble
from obdlog.model import UNKNOWN_SOURCE, Bus, EcuMessage

CAN_11, CAN_29 = PROTOCOLS["6"], PROTOCOLS["7"]
PID_00 = bytes.fromhex("4100BE3EB813")
VIN = bytes.fromhex("490201") + b"1ZZ00000400000000"
CALIBRATION = bytes.fromhex("490401") + b"INVENTED-0001\0\0\0"


def frames(payload: bytes, pad: bytes = b"\x00") -> list[bytes]:
    """The frames of a message, padded to eight bytes; pad empty: not padded."""

    def filled(data: bytes) -> bytes:
        return data + pad * (8 - len(data))

    if len(payload) <= 7:
        return [filled(bytes([len(payload)]) + payload)]
    out = [(0x1000 | len(payload)).to_bytes(2, "big") + payload[:6]]
    for number, start in enumerate(range(6, len(payload), 7), 1):
        out.append(filled(bytes([0x20 | number & 0xF]) + payload[start : start + 7]))
    return out


def lines(source: str, payload: bytes, *, spaces: bool = False, pad: bytes = b"\x00") -> list[str]:
    out = []
    for frame in frames(payload, pad):
        if spaces:
            head = source if len(source) == 3 else bytes.fromhex(source).hex(" ").upper()
            out.append(f"{head} {frame.hex(' ').upper()} ")
        else:
            out.append(source + frame.hex().upper())
    return out


def got(text: list[str], protocol=CAN_11, **options) -> list[tuple[str, bytes]]:
    return [(m.source, m.payload) for m in assemble(text, protocol, **options).messages]


@pytest.mark.parametrize("pad", [b"", b"\x00", b"\x55", b"\xaa", b"\xcc", b"\xff"])
@pytest.mark.parametrize("spaces", [False, True])
@pytest.mark.parametrize("known", [False, True])
@pytest.mark.parametrize(
    ("source", "protocol"), [("7E8", CAN_11), ("18DAF110", CAN_29), ("18DAF1EF", CAN_29)]
)
@pytest.mark.parametrize("payload", [b"\x44", PID_00, PID_00 + b"\x01", VIN, VIN * 8])
def test_one_module(payload, source, protocol, known, spaces, pad) -> None:
    text = lines(source, payload, spaces=spaces, pad=pad)
    result = assemble(text, protocol if known else None)
    assert result.messages == (EcuMessage(source, payload),)
    assert result.faults == ()
    assert result.bus is Bus.CAN


def test_lines_as_an_adapter_shows_them() -> None:
    # Layout: published ELM327-style command set, headers on, spaces on; from memory.
    assert got(["7E8 06 41 00 BE 3E B8 13"], None) == [("7E8", PID_00)]
    assert got(["7E8064100BE3EB813"], None) == [("7E8", PID_00)]
    assert got(["18 DA F1 10 06 41 00 BE 3E B8 13"], None) == [("18DAF110", PID_00)]
    text = [
        "7E8 10 14 49 02 01 31 5A 5A ",
        "7E8 21 30 30 30 30 30 34 30 ",
        "7E8 22 30 30 30 30 30 30 30 ",
    ]
    assert got(text, None) == [("7E8", VIN)]


def test_data_length_digit_after_the_identifier_is_tolerated() -> None:
    assert got(["7E8 8 06 41 00 BE 3E B8 13 00"]) == [("7E8", PID_00)]
    assert got(["18 DA F1 10 8 06 41 00 BE 3E B8 13 00"], CAN_29) == [("18DAF110", PID_00)]
    assert got(["7E8 6 06 41 00 BE 3E B8 13 00"]) == []


def test_two_modules_interleaved() -> None:
    one, two = lines("7E8", VIN), lines("7E9", CALIBRATION)
    mixed = [line for pair in zip(one, two, strict=True) for line in pair]
    assert got(mixed) == [("7E8", VIN), ("7E9", CALIBRATION)]


def test_single_frames_of_others_between_the_frames_of_one() -> None:
    one = lines("7E8", VIN)
    other = lines("7E9", b"\x7f\x09\x12")
    assert got([one[0], *other, *one[1:]]) == [("7E9", b"\x7f\x09\x12"), ("7E8", VIN)]


def test_response_pending_before_the_answer() -> None:
    text = lines("7E8", b"\x7f\x09\x78") + lines("7E8", VIN)
    messages = assemble(text, CAN_11).messages
    assert [m.payload for m in messages] == [b"\x7f\x09\x78", VIN]
    assert [m.is_pending for m in messages] == [True, False]


@pytest.mark.parametrize(
    ("payload", "code", "pending"),
    [
        ("7F0978", 0x78, True),
        ("7F0911", 0x11, False),
        ("7F09", None, False),
        ("490278", None, False),
    ],
)
def test_what_a_negative_response_says(payload: str, code: int | None, pending: bool) -> None:
    """ISO 14229-1 and ISO 14230-3: 7F, the service, a code; 78 only asks for time."""
    message = EcuMessage("7E8", bytes.fromhex(payload))
    assert (message.refusal_code, message.is_pending) == (code, pending)


@pytest.mark.parametrize("length", [8, 6 + 7 * 15, 6 + 7 * 15 + 1, 6 + 7 * 16, 6 + 7 * 33, 4095])
def test_sequence_number_f_is_followed_by_0(length: int) -> None:
    payload = bytes(i * 7 & 0xFF for i in range(length))
    assert got(lines("7E8", payload)) == [("7E8", payload)]


LONG = bytes(range(0x40, 0x40 + 120))


@pytest.mark.parametrize(
    ("damage", "fault"),
    [
        (lambda f: f[:5] + f[6:], "7E8: frame 6 where 5 is due; message dropped"),
        (lambda f: [*f[:5], f[4], *f[5:]], "7E8: frame 4 where 5 is due; message dropped"),
        (lambda f: [*f[:5], f[6], f[5], *f[7:]], "7E8: frame 6 where 5 is due; message dropped"),
        (lambda f: f[:2] + f[18:], "7E8: message ends after 13 of 120 bytes"),
        (lambda f: f[:-1], "7E8: message ends after 118 of 120 bytes"),
        (lambda f: f[:1], "7E8: message ends after 6 of 120 bytes"),
        (lambda f: f[1:], "7E8: consecutive frame without a first frame"),
        (lambda f: [f[0][:-2], *f[1:]], "7E8: first frame of fewer than eight bytes"),
        (lambda f: [*f[:3], f[3][:-2], *f[4:]], "7E8: frame 3 is cut short; message dropped"),
        (
            lambda f: [*f[:3], "7E8037F0911", *f[3:]],
            "7E8: message broken off after 20 of 120 bytes",
        ),
    ],
    ids=[
        "lost",
        "repeated",
        "swapped",
        "sixteen lost",
        "last lost",
        "only the first",
        "no first",
        "first cut",
        "cut",
        "broken off",
    ],
)
def test_damage_becomes_a_fault_and_never_a_wrong_payload(damage, fault: str) -> None:
    result = assemble(damage(lines("7E8", LONG)), CAN_11)
    assert result.faults[0] == fault
    assert all(m.payload == b"\x7f\x09\x11" for m in result.messages)


def test_another_module_is_not_touched_by_the_damage() -> None:
    text = [*lines("7E8", LONG)[:-1], *lines("7E9", VIN)]
    assert got(text) == [("7E9", VIN)]


def test_a_new_message_after_a_damaged_one_is_whole() -> None:
    text = lines("7E8", LONG)
    del text[4]
    assert got([*text, *lines("7E8", VIN)]) == [("7E8", VIN)]


@st.composite
def damaged(draw) -> list[str]:
    text = [*lines("7E8", LONG), *lines("7E9", VIN)]
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text) - 1))
        match draw(st.sampled_from(["lose", "repeat", "move", "cut"])):
            case "lose":
                del text[at]
            case "repeat":
                text.insert(at, text[at])
            case "move":
                text.insert(draw(st.integers(0, len(text) - 1)), text.pop(at))
            case "cut":
                text[at] = text[at][: draw(st.integers(1, len(text[at])))]
        if not text:
            break
    return text


@given(damaged())
def test_whatever_is_lost_only_whole_messages_come_out(text: list[str]) -> None:
    for source, payload in got(text):
        assert (source, payload) in {("7E8", LONG), ("7E9", VIN)}


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        ("7E8100741050000000000"[:19], "first frame with length 7; ignored"),
        ("7E81000000000FF4100", "long first frame with length 255; ignored"),
        ("7E81000000100004100", "message of 65536 bytes is beyond the bound; ignored"),
        ("7E81000FFFFFFFF4100", "beyond the bound; ignored"),
        ("7E800", "single frame that claims 0 bytes"),
        ("7E8084100BE3EB81300", "single frame that claims 8 bytes"),
        ("7E8064100BE3E", "single frame of 6 bytes holds only 4"),
        ("7E84102030405060708", "unknown frame type 4"),
        ("7E8064100BE3EB81", "no 11-bit identifier"),
        ("8E8064100BE3EB813", "no 11-bit identifier"),
        ("7E8064100BE3EB8130000", "9 data bytes in a CAN frame"),
        ("7E8", "no 11-bit identifier"),
        ("7E8 06 41 00 <RX ERROR", "not a data line"),
        ("HELLO", "not a data line"),
    ],
)
def test_frames_that_break_the_rules(line: str, fault: str) -> None:
    result = assemble([line], CAN_11)
    assert result.messages == ()
    assert fault in result.faults[0]


def test_flow_control_frames_are_nobody_s_answer() -> None:
    assert assemble(["7E8300000"], CAN_11) == assemble([], CAN_11).__class__((), (), Bus.CAN)


def test_frames_after_an_ignored_first_frame_belong_to_nothing() -> None:
    result = assemble(["7E8100641050000000000"[:19], "7E82101020304050607"], CAN_11)
    assert result.messages == ()
    assert len(result.faults) == 1


def test_long_form_of_the_first_frame() -> None:
    payload = bytes(i & 0xFF for i in range(5000))
    text = ["7E81000" + (5000).to_bytes(4, "big").hex().upper() + payload[:2].hex().upper()]
    for number, start in enumerate(range(2, 5000, 7), 1):
        chunk = payload[start : start + 7].ljust(7, b"\0")
        text.append(f"7E82{number & 15:X}" + chunk.hex().upper())
    assert got(text) == [("7E8", payload)]


# Without headers


def numbered(payload: bytes, *, spaces: bool = False, pad: bytes = b"\x00") -> list[str]:
    out = [f"{len(payload):03X}"]
    for number, frame in enumerate(frames(payload, pad)):
        body = frame[2:] if number == 0 else frame[1:]
        text = body.hex(" ") if spaces else body.hex()
        out.append(f"{number & 15:X}:{' ' if spaces else ''}{text.upper()}")
    return out


@pytest.mark.parametrize("spaces", [False, True])
@pytest.mark.parametrize("pad", [b"", b"\x00", b"\xaa"])
@pytest.mark.parametrize("protocol", [CAN_11, CAN_29, None])
@pytest.mark.parametrize("payload", [VIN, CALIBRATION, LONG, LONG * 5])
def test_length_line_form(payload, protocol, pad, spaces) -> None:
    text = numbered(payload, spaces=spaces, pad=pad)
    result = assemble(text, protocol, headers=False)
    assert result.messages == (EcuMessage(UNKNOWN_SOURCE, payload),)
    assert result.faults == ()
    assert result.bus is Bus.CAN


def test_length_line_form_as_an_adapter_shows_it() -> None:
    # Layout: published ELM327-style command set, headers off; from memory.
    text = ["014", "0:490201315A5A", "1:30303030303430", "2:30303030303030"]
    assert got(text, headers=False) == [(UNKNOWN_SOURCE, VIN)]


def test_short_messages_without_headers() -> None:
    text = ["41 00 BE 3E B8 13", "410098180001"]
    payloads = [PID_00, bytes.fromhex("410098180001")]
    assert got(text, headers=False) == [(UNKNOWN_SOURCE, p) for p in payloads]


def test_two_modules_one_after_the_other_without_headers() -> None:
    text = numbered(VIN) + numbered(CALIBRATION)
    assert [p for _, p in got(text, headers=False)] == [VIN, CALIBRATION]


def test_two_modules_mixed_without_headers_cannot_be_told_apart() -> None:
    one, two = numbered(VIN), numbered(VIN)
    mixed = [line for pair in zip(one, two, strict=True) for line in pair]
    for text in (mixed, [*one[:2], *two[:2], *one[2:], *two[2:]], [*one[:3], *two, *one[3:]]):
        result = assemble(text, CAN_11, headers=False)
        assert result.messages == ()
        assert "senders unknown" in result.faults[0]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (["014", "0:490201315A5A", "2:30303030303030"], "line 2 where 1 is due"),
        (["014", "0:490201315A5A"], "message ends after 6 of 20 bytes"),
        (["014", "0:490201315A", "1:30303030303030"], "line 0 holds 5 bytes, not 6"),
        (["014", "0:490201315A5A30"], "line 0 holds 7 bytes, not 6"),
        (["0:490201315A5A"], "numbered line without a length line"),
        (["005", "0:490201315A"], "long message with length 5"),
        (["014", "0:490201315A5"], "half a byte"),
        (["4100BE3EB81"], "half a byte"),
        (["064100BE3EB813"], "no answer begins like"),
        (["1:"], "not a data line"),
    ],
)
def test_damage_without_headers(text: list[str], fault: str) -> None:
    result = assemble(text, CAN_11, headers=False)
    assert result.messages == ()
    assert any(fault in f for f in result.faults)


def test_an_adapter_that_hides_headers_although_told_to_print_them() -> None:
    assert got(["4100BE3EB813"], request=b"\x01\x00") == [(UNKNOWN_SOURCE, PID_00)]
    assert got(["7F0111"], None, request=b"\x01\x00") == [(UNKNOWN_SOURCE, b"\x7f\x01\x11")]
    assert got(numbered(VIN), None) == [(UNKNOWN_SOURCE, VIN)]
    assert got(["4105BE"], request=b"\x03") == []
    assert got(["4100BE3EB813"]) == []


def test_a_damaged_header_is_not_taken_for_an_answer() -> None:
    # One digit short, so that the rest looks like an answer to tester present (3E).
    assert got(["7E8027E00000000000"[:-2]], request=b"\x3e\x00") == []


def test_nothing_in_nothing_out() -> None:
    assert assemble([], CAN_11).messages == ()
    assert assemble(["", "  "], None).messages == ()
    assert assemble([], None).faults == ()


@given(
    st.lists(st.text(max_size=30) | st.text("0123456789ABCDEF :<", max_size=30), max_size=8),
    st.sampled_from([None, *PROTOCOLS.values()]),
    st.booleans(),
    st.none() | st.binary(max_size=3),
)
def test_random_lines_never_raise_and_faults_are_printable(
    text, protocol, headers, request
) -> None:
    result = assemble(text, protocol, headers=headers, request=request)
    assert all(m.payload for m in result.messages)
    assert all(f.isascii() and f.isprintable() for f in result.faults)


def test_faults_are_bounded_and_quote_little() -> None:
    result = assemble(["\x1b" + "z" * 1000] * 1000, CAN_11)
    assert len(result.faults) == 51
    assert result.faults[-1] == "and 950 more"
    assert max(len(f) for f in result.faults) < 100


@pytest.mark.parametrize("letter", ["ﬀ", "１", "٣", "ſ"])
def test_only_ascii_digits_are_digits(letter: str) -> None:
    assert got(["7E8064100BE3EB81" + letter]) == []


@pytest.mark.parametrize(
    ("sources", "protocol"),
    [
        (("7B8", "7E8", "73F"), CAN_11),
        (("18DAF128", "18DAF110", "1ABCF1DE"), CAN_29),
    ],
)
def test_long_replies_of_modules_anywhere_interleave(sources, protocol) -> None:
    # A kilobyte of codes by ISO 14229-1, 19 02: the numbers of the frames wrap many times.
    payloads = [bytes([0x59, 0x02, n]) + bytes(range(256)) * 4 for n in range(len(sources))]
    each = [lines(source, payload) for source, payload in zip(sources, payloads, strict=True)]
    mixed = [line for together in zip(*each, strict=True) for line in together]
    assert got(mixed, protocol) == list(zip(sources, payloads, strict=True))


def test_a_flood_of_frames_of_one_module_is_bounded_in_faults() -> None:
    found = assemble(["7B82155"] * 20_000 + ["7B8027E00"], CAN_11)
    assert [m.payload for m in found.messages] == [b"\x7e\x00"]
    assert len(found.faults) <= 51
