"""Messages in frames, the simulated car's side: by the rules of ISO 15765-2 [ISO-15765-2]."""

from __future__ import annotations

from itertools import pairwise

import pytest

from obdlog.simulator.segments import Receiving, Sending, separation_s

VIN_REPLY = bytes.fromhex("49020157504F5A5A5A39395A545338333833353834")[:20]


def frames(sending: Sending, now_s: float = 0.0, most: int = 100) -> list[str]:
    """Return what goes out until flow control is needed or all is said."""
    found = []
    while not sending.done and sending.due_s < 1e6 and len(found) < most:
        now_s = max(now_s, sending.due_s)
        found.append(sending.frame(now_s).hex())
    return found


# ISO 15765-2, table of STmin values.
@pytest.mark.parametrize(
    ("coded", "seconds"),
    [
        (0x00, 0.0),
        (0x01, 0.001),
        (0x7F, 0.127),
        (0xF1, 0.0001),
        (0xF9, 0.0009),
        (0x80, 0.127),
        (0xF0, 0.127),
        (0xFA, 0.127),
        (0xFF, 0.127),
    ],
)
def test_separation_times(coded: int, seconds: float) -> None:
    assert separation_s(coded) == pytest.approx(seconds)


def test_a_short_message_is_one_frame() -> None:
    assert frames(Sending(bytes.fromhex("4100FE3FB813"), 0.0)) == ["064100fe3fb813"]


def test_a_vin_goes_out_in_three_frames() -> None:
    # The layout of the example in public tutorials: 20 bytes, 10 14 …, 21 …, 22 ….
    sending = Sending(VIN_REPLY, 0.0)
    assert frames(sending) == ["1014" + VIN_REPLY[:6].hex()]
    sending.flow_control(b"\x30\x00\x00", 0.001)
    assert frames(sending) == ["21" + VIN_REPLY[6:13].hex(), "22" + VIN_REPLY[13:].hex()]
    assert sending.done


def test_the_sequence_number_goes_round_from_f_to_0() -> None:
    sending = Sending(bytes(6 + 7 * 17), 0.0)
    frames(sending)
    sending.flow_control(b"\x30\x00\x00", 0.0)
    assert [f[:2] for f in frames(sending)] == [f"2{n % 16:x}" for n in range(1, 18)]


@pytest.mark.parametrize("block", range(1, 16))
def test_it_waits_after_each_block(block: int) -> None:
    sending = Sending(bytes(100), 0.0)
    frames(sending)
    counts = []
    while not sending.done:
        sending.flow_control(bytes([0x30, block, 0x00]), 0.0)
        counts.append(len(frames(sending)))
    assert set(counts[:-1]) <= {block}
    assert sum(counts) == -(-(100 - 6) // 7)


@pytest.mark.parametrize(("coded", "least_s"), [(0x05, 0.005), (0xF5, 0.0005), (0x90, 0.127)])
def test_it_leaves_the_time_between_frames_that_was_asked_for(coded: int, least_s: float) -> None:
    sending = Sending(bytes(30), 0.0)
    sending.frame(0.0)
    sending.flow_control(bytes([0x30, 0x00, coded]), 0.01)
    at = [sending.due_s]
    while sending.frame(at[-1]) and not sending.done:
        at.append(sending.due_s)
    assert min(b - a for a, b in pairwise(at)) >= least_s - 1e-9


class TestFlowControlThatIsNotGiven:
    def test_without_any_the_rest_never_comes(self) -> None:
        sending = Sending(VIN_REPLY, 0.0)
        frames(sending)
        sending.expire(0.9)
        assert not sending.done
        sending.expire(1.0)
        assert sending.done

    def test_wait_means_waiting_on(self) -> None:
        sending = Sending(VIN_REPLY, 0.0)
        frames(sending)
        sending.flow_control(b"\x31\x00\x00", 0.9)
        sending.expire(1.5)
        assert not sending.done
        assert frames(sending) == []

    def test_waiting_is_not_for_ever(self) -> None:
        sending = Sending(VIN_REPLY, 0.0)
        frames(sending)
        for _ in range(11):
            sending.flow_control(b"\x31\x00\x00", 0.1)
        assert sending.done

    @pytest.mark.parametrize("flow", ["320000", "3f0000"])
    def test_overflow_and_unknown_status_end_it(self, flow: str) -> None:
        sending = Sending(VIN_REPLY, 0.0)
        frames(sending)
        sending.flow_control(bytes.fromhex(flow), 0.1)
        assert sending.done

    def test_a_cut_one_counts_as_none(self) -> None:
        sending = Sending(VIN_REPLY, 0.0)
        frames(sending)
        sending.flow_control(b"\x30\x00", 0.1)
        assert frames(sending) == []


class TestReceiving:
    def test_a_single_frame(self) -> None:
        assert Receiving().feed(bytes.fromhex("0201000000000000"), 0.0) == b"\x01\x00"

    @pytest.mark.parametrize("data", ["", "00", "0800000000000000", "0401", "2101", "f001"])
    def test_what_is_no_request(self, data: str) -> None:
        receiving = Receiving()
        assert receiving.feed(bytes.fromhex(data), 0.0) is None
        assert receiving.flow is None

    def test_a_long_request_with_blocks(self) -> None:
        receiving = Receiving(block_size=2, separation=0x05)
        flows = []
        whole = None
        for frame in (
            "1019220102030405",
            "2106070809101112",
            "2213141516171819",
            "2320212223242500",
        ):
            whole = receiving.feed(bytes.fromhex(frame), 0.0)
            flows.append(receiving.flow and receiving.flow.hex())
        assert flows == ["300205", None, "300205", None]
        assert whole is not None
        assert (len(whole), whole[:2].hex(), whole[-2:].hex()) == (0x19, "2201", "2324")

    @pytest.mark.parametrize("first", ["1007220102030405", "1000220102030405"])
    def test_a_first_frame_that_is_too_short_is_ignored(self, first: str) -> None:
        receiving = Receiving()
        assert receiving.feed(bytes.fromhex(first), 0.0) is None
        assert receiving.flow in (None, b"\x32\x00\x00")
        assert receiving.feed(bytes.fromhex("2106070809101112"), 0.0) is None

    def test_more_than_fits_is_refused_at_once(self) -> None:
        receiving = Receiving(largest=255)
        receiving.feed(bytes.fromhex("1fff220102030405"), 0.0)
        assert receiving.flow == b"\x32\x00\x00"

    @pytest.mark.parametrize("second", ["22", "20", "2f"])
    def test_a_lost_frame_ends_it(self, second: str) -> None:
        receiving = Receiving()
        receiving.feed(bytes.fromhex("100a220102030405"), 0.0)
        assert receiving.feed(bytes.fromhex(second + "06070809101112"), 0.0) is None
        assert receiving.feed(bytes.fromhex("2106070809101112"), 0.0) is None

    def test_a_late_frame_ends_it(self) -> None:
        receiving = Receiving()
        receiving.feed(bytes.fromhex("100a220102030405"), 0.0)
        assert receiving.feed(bytes.fromhex("2106070809101112"), 1.1) is None

    def test_a_new_request_takes_its_place(self) -> None:
        receiving = Receiving()
        receiving.feed(bytes.fromhex("100a220102030405"), 0.0)
        assert receiving.feed(bytes.fromhex("023e00"), 0.1) == b"\x3e\x00"
        assert receiving.feed(bytes.fromhex("2106070809101112"), 0.2) is None
