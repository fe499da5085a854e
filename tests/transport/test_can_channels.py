"""What of a module's frames may reach can-isotp, and what becomes of bad ones.

ISO-15765-2 rests on public quotations of it: CAN-ISOTP-147 (reserved separation times mean the
longest, 127 ms: 9.6.5.5 of the 2016 edition) and TP-FRAMES (length rules of first frames).
"""

from __future__ import annotations

import pytest

from obdlog.transport.can_channels import LARGEST_MESSAGE, CanFrame, Channel, sound


def passed(text: str) -> str | None:
    good = sound(CanFrame("7E8", bytes.fromhex(text)))
    return None if good is None else good.data.hex().upper()


class TestSeparationTime:
    @pytest.mark.parametrize("coded", [*range(0x80), *range(0xF1, 0xFA)])
    def test_times_with_a_meaning_are_kept(self, coded: int) -> None:
        assert passed(f"3000{coded:02X}") == f"3000{coded:02X}"

    @pytest.mark.parametrize("coded", [*range(0x80, 0xF1), *range(0xFA, 0x100)])
    def test_reserved_times_mean_127_ms(self, coded: int) -> None:
        """CAN-ISOTP-147."""
        assert passed(f"3005{coded:02X}AAAAAAAAAA") == "30057FAAAAAAAAAA"

    def test_flow_control_without_its_time_is_none(self) -> None:
        assert passed("3000") is None


class TestFirstFrame:
    @pytest.mark.parametrize("length", range(1, 8))
    def test_a_length_that_fits_one_frame_is_ignored(self, length: int) -> None:
        """TP-FRAMES."""
        assert passed(f"100{length}490201020304") is None

    @pytest.mark.parametrize("length", [8, 20, 0xFFF])
    def test_any_other_length_passes(self, length: int) -> None:
        text = f"1{length:03X}490201020304"
        assert passed(text) == text

    def test_a_long_length_that_did_not_need_32_bits_is_ignored(self) -> None:
        assert passed("1000000000074902") is None
        assert passed("100000000FFF4902") is None
        assert passed("1000000010004902") == "1000000010004902"

    def test_it_fills_its_frame(self) -> None:
        assert passed("10144902014142") is None


@pytest.mark.parametrize("kind", range(4, 16))
def test_frame_types_that_do_not_exist_are_ignored(kind: int) -> None:
    assert passed(f"{kind:X}0000000") is None


def test_an_empty_frame_is_ignored() -> None:
    assert passed("") is None


def test_bytes_beyond_eight_are_left_out() -> None:
    assert passed("0341001122334455" + "66" * 4) == "0341001122334455"


class Far:
    """Takes what a channel sends."""

    def __init__(self, request: str = "7E0", response: str = "7E8") -> None:
        self.sent: list[tuple[str, str]] = []
        self.channel = Channel(request, response, self._take)

    def _take(self, frame: CanFrame) -> None:
        self.sent.append((frame.identifier, frame.data.hex().upper()))

    def feed(self, *texts: str) -> list[str]:
        messages = []
        for text in texts:
            good = sound(CanFrame(self.channel.response, bytes.fromhex(text)))
            assert good is not None
            messages += [m.hex().upper() for m in self.channel.feed(good)]
        return messages


class TestReceiving:
    @pytest.mark.parametrize(
        ("request_id", "response_id"),
        [("7E0", "7E8"), ("7B0", "7B8"), ("710", "77A"), ("18DA10F1", "18DAF110")],
    )
    def test_flow_control_goes_to_the_module_alone_in_eight_bytes(
        self, request_id: str, response_id: str
    ) -> None:
        far = Far(request_id, response_id)
        assert far.feed("100A490201020304") == []
        assert far.sent == [(request_id, "3000000000000000")]
        assert far.channel.receiving

    def test_a_message_comes_whole_and_without_its_padding(self) -> None:
        far = Far()
        assert far.feed("100A490201020304", "2105060708555555") == ["49020102030405060708"]
        assert not far.channel.receiving
        assert far.channel.faults == []

    @pytest.mark.parametrize("padding", ["", "00", "55", "AA", "CC", "FF", "00FFAA"])
    def test_a_single_frame_of_any_length(self, padding: str) -> None:
        assert Far().feed("03410C1A" + padding) == ["410C1A"]

    def test_sequence_number_f_is_followed_by_0(self) -> None:
        data = bytes(range(140))
        frames = ["10" + f"{len(data):02X}" + data[:6].hex()]
        for number, at in enumerate(range(6, len(data), 7), start=1):
            frames.append(f"2{number % 16:X}" + data[at : at + 7].hex())
        assert len(frames) > 17
        assert Far().feed(*frames) == [data.hex().upper()]

    @pytest.mark.parametrize(
        ("frames", "words"),
        [
            (["1014490201020304", "2205060708090A0B"], "lost, doubled or out of order"),
            (
                ["1014490201020304", "2105060708090A0B", "2105060708090A0B"],
                "lost, doubled or out of order",
            ),
            (["2105060708090A0B"], "without its beginning"),
            (["1014490201020304", "03410C1A"], "two modules may answer with this identifier"),
            (["1014490201020304", "100A490201020304"], "two modules may answer"),
        ],
    )
    def test_what_breaks_the_rules_becomes_a_sentence(self, frames: list[str], words: str) -> None:
        far = Far()
        messages = far.feed(*frames)
        assert all(len(m) < 20 for m in messages)
        assert words in far.channel.faults[0]
        assert far.channel.faults[0].startswith("7E8: ")

    def test_a_length_beyond_the_bound_is_refused_to_the_module(self) -> None:
        far = Far()
        assert far.feed(f"1000{LARGEST_MESSAGE + 1:08X}4902") == []
        assert far.sent == [("7E0", "3200000000000000")]
        assert "beyond the bound" in far.channel.faults[0]
        assert not far.channel.receiving

    def test_faults_are_kept_in_bounded_number(self) -> None:
        far = Far()
        far.feed(*["2105060708090A0B"] * 100)
        assert 0 < len(far.channel.faults) <= 10

    def test_forgetting_takes_a_half_message_with_it(self) -> None:
        far = Far()
        far.feed("1014490201020304")
        far.channel.reset()
        assert not far.channel.receiving
        assert far.channel.faults == []


class TestSending:
    def test_a_module_may_ask_to_wait_and_then_takes_it(self) -> None:
        far = Far()
        far.channel.send(bytes(range(10)))
        far.channel.pump()
        assert far.sent == [("7E0", "100A000102030405")]
        far.feed("310000", "310000", "300000")
        assert far.sent[1:] == [("7E0", "2106070809000000")]
        assert not far.channel.sending

    def test_a_module_without_room_is_said(self) -> None:
        far = Far()
        far.channel.send(bytes(range(10)))
        far.channel.pump()
        far.feed("320000")
        assert not far.channel.sending
        assert far.channel.faults == ["7E8: the module has no room for the request"]

    def test_waiting_for_ever_has_an_end(self) -> None:
        far = Far()
        far.channel.send(bytes(range(10)))
        far.channel.pump()
        far.feed(*["310000"] * 30)
        assert not far.channel.sending
        assert far.channel.faults
