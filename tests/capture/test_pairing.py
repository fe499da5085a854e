"""Requests and answers of a capture become exchanges.

Frames were typed by hand from the frame types of ISO 15765-2 and the services of SAE J1979 and
ISO 14229-1.
"""

from __future__ import annotations

import pytest

from obdlog.capture.pairing import INFERRED
from obdlog.model import Outcome

FUNCTIONAL = "functional"
VIN = "49020131" + "30" * 16  # no real number: one byte "1", sixteen times "0"
VIN_FRAMES = [
    (0.010, "7E8", "1014" + VIN[:12]),
    (0.011, "7E0", "3000000000000000"),
    (0.012, "7E8", "21" + VIN[12:26]),
    (0.013, "7E8", "22" + VIN[26:40]),
]


@pytest.mark.parametrize(
    ("frames", "expected"),
    [
        pytest.param(
            [(0, "7DF", "02010C0000000000"), (0.01, "7E8", "04410C1FD0000000")],
            [("010C", FUNCTIONAL, {"7E8": "410C1FD0"})],
            id="11 bit",
        ),
        pytest.param(
            [(0, "18DB33F1", "02010C0000000000"), (0.01, "18DAF110", "04410C1FD0000000")],
            [("010C", FUNCTIONAL, {"18DAF110": "410C1FD0"})],
            id="29 bit",
        ),
        pytest.param(
            [(0, "18DA10F1", "02010C"), (0.01, "18DAF110", "04410C1FD0")],
            [("010C", "18DA10F1", {"18DAF110": "410C1FD0"})],
            id="29 bit, one module, frames without padding",
        ),
        pytest.param(
            [(0, "7DF", "020902"), *VIN_FRAMES],
            [("0902", FUNCTIONAL, {"7E8": VIN})],
            id="long answer",
        ),
        pytest.param(
            [
                (0, "7DF", "0209020000000000"),
                VIN_FRAMES[0],
                (0.0105, "7E9", "1014" + VIN[:12]),
                *VIN_FRAMES[1:3],
                (0.0125, "7E1", "3000000000000000"),
                (0.0126, "7E9", "21" + VIN[12:26]),
                VIN_FRAMES[3],
                (0.0136, "7E9", "22" + VIN[26:40]),
            ],
            [("0902", FUNCTIONAL, {"7E8": VIN, "7E9": VIN})],
            id="long answers of two modules that mix",
        ),
        pytest.param(
            [
                (0, "7E0", "100B22F190F187F1"),
                (0.001, "7E8", "3000000000000000"),
                (0.002, "7E0", "2195F18CF18A0000"),
                (0.010, "7E8", "037F223100000000"),
            ],
            [("22F190F187F195F18CF18A", "7E0", {"7E8": "7F2231"})],
            id="long request, flow control of the module",
        ),
        pytest.param(
            [
                (0, "7E0", "0322F19000000000"),
                (0.02, "7E8", "037F227800000000"),
                (3.0, "7E8", "037F227800000000"),
                (7.9, "7E8", "0562F1903132"),
            ],
            [("22F190", "7E0", {"7E8": "62F1903132"})],
            id="response pending gives way to the answer, each time with new patience",
        ),
        pytest.param(
            [
                (0, "7DF", "02010C"),
                (0.01, "7DF", "02010D"),
                (0.02, "7E8", "03410D20"),
                (0.03, "7E9", "04410C1FD0"),
            ],
            [
                ("010C", FUNCTIONAL, {"7E9": "410C1FD0"}),
                ("010D", FUNCTIONAL, {"7E8": "410D20"}),
            ],
            id="what an answer repeats decides between two requests",
        ),
        pytest.param(
            [
                (0, "7E0", "02010C"),
                (0.001, "7E1", "02010C"),
                (0.01, "7E9", "04410C0000"),
                (0.02, "7E8", "04410C1FD0"),
            ],
            [("010C", "7E0", {"7E8": "410C1FD0"}), ("010C", "7E1", {"7E9": "410C0000"})],
            id="a request to one module waits for that module",
        ),
        pytest.param(
            [(0, "7DF", "04010C0D05"), (0.01, "7E8", "06410C1FD00D20"), (0.02, "7E9", "03410520")],
            [("010C0D05", FUNCTIONAL, {"7E8": "410C1FD00D20", "7E9": "410520"})],
            id="several PIDs in one request",
        ),
        pytest.param(
            [(0, "7E0", "023E80"), (0.5, "7E0", "02010D"), (0.51, "7E8", "03410D20")],
            [("3E80", "7E0", {}), ("010D", "7E0", {"7E8": "410D20"})],
            id="a request that wants no answer",
        ),
    ],
)
def test_conversations(imported, as_text, frames, expected) -> None:
    exchanges, summary = imported(frames)
    assert as_text(exchanges) == expected
    assert summary.inferred == 0
    assert summary.diagnostic_frames == len(frames)
    assert summary.faults == ()


@pytest.mark.parametrize(
    ("frames", "expected"),
    [
        ([(0, "7E8", "04410C1FD0")], ("010C", FUNCTIONAL, {"7E8": "410C1FD0"})),
        (
            [(0, "7E8", "06410C1FD00D20")],
            ("010C0D", FUNCTIONAL, {"7E8": "410C1FD00D20"}),
        ),
        (
            [(0, "7E8", "06410080000000"), (0.02, "7E9", "06410080000000")],
            ("0100", FUNCTIONAL, {"7E8": "410080000000", "7E9": "410080000000"}),
        ),
        ([(0, "7E8", "0442050050")], ("020500", FUNCTIONAL, {"7E8": "42050050"})),
        ([(0, "7E8", "0442020001")], ("020200", FUNCTIONAL, {"7E8": "42020001"})),
        ([(0, "7E8", "0443010102")], ("03", FUNCTIONAL, {"7E8": "43010102"})),
        ([(0, "7E8", "024700")], ("07", FUNCTIONAL, {"7E8": "4700"})),
        ([(0, "7E8", "024A00")], ("0A", FUNCTIONAL, {"7E8": "4A00"})),
        ([(0, "7E8", "0144")], ("04", FUNCTIONAL, {"7E8": "44"})),
        ([(0, "7E8", "06460080000001")], ("0600", FUNCTIONAL, {"7E8": "460080000001"})),
        ([(0, "7E8", "06490055400000")], ("0900", FUNCTIONAL, {"7E8": "490055400000"})),
        ([(0, "7E8", "0562F4051234")], ("22F405", "7E0", {"7E8": "62F4051234"})),
        ([(0, "7E8", "035902FF")], ("1902", "7E0", {"7E8": "5902FF"})),
        ([(0, "18DAF128", "035902FF")], ("1902", "18DA28F1", {"18DAF128": "5902FF"})),
        ([(0, "7E8", "025400")], ("14", "7E0", {"7E8": "5400"})),
        ([(0, "7E8", "037F2231")], ("22", "7E0", {"7E8": "7F2231"})),
        (
            [(0, "7E8", "037F2278"), (2, "7E8", "0562F4051234")],
            ("22F405", "7E0", {"7E8": "62F4051234"}),
        ),
    ],
)
def test_an_answer_without_a_visible_request_names_its_own(
    imported, as_text, frames, expected
) -> None:
    exchanges, summary = imported(frames)
    assert as_text(exchanges) == [expected]
    assert [e.note for e in exchanges] == [INFERRED]
    assert summary.inferred == 1


def test_answers_that_follow_each_other_are_exchanges_of_their_own(imported) -> None:
    exchanges, summary = imported([(n / 5, "7E8", "04410C1FD0") for n in range(20)])
    assert [e.at_s for e in exchanges] == pytest.approx([n / 5 for n in range(20)], abs=1e-6)
    assert summary.inferred == 20


def test_an_answer_after_five_seconds_belongs_to_no_request_any_more(imported, as_text) -> None:
    exchanges, _ = imported([(0, "7DF", "02010C"), (5.5, "7E8", "04410C1FD0")])
    assert as_text(exchanges) == [
        ("010C", FUNCTIONAL, {}),
        ("010C", FUNCTIONAL, {"7E8": "410C1FD0"}),
    ]
    assert [e.outcome for e in exchanges] == [Outcome.NO_DATA, Outcome.ANSWERED]


@pytest.mark.parametrize(
    ("frames", "outcome"),
    [
        ([(0, "7E0", "0322F190"), (0.1, "7E8", "037F2231")], Outcome.REFUSED),
        ([(0, "7E0", "0322F190"), (0.1, "7E8", "037F2278")], Outcome.TIMEOUT),
        ([(0, "7E0", "0322F190"), (0.1, "100", "00")], Outcome.TIMEOUT),
        ([(0, "7E0", "0322F190"), (6, "100", "00")], Outcome.NO_DATA),
        ([(0, "7E0", "0322F190"), VIN_FRAMES[0], VIN_FRAMES[3]], Outcome.GARBLED),
    ],
    ids=["refused", "never finished", "the capture ends", "silence", "a frame is missing"],
)
def test_outcomes(imported, frames, outcome) -> None:
    exchanges, _ = imported(frames)
    assert [e.outcome for e in exchanges] == [outcome]


def test_times_are_those_of_the_first_frame_asked_and_the_last_answered(imported) -> None:
    frames = [
        (0, "100", "00"),
        (1.5, "7DF", "020902"),
        *[(1.5 + t, i, d) for t, i, d in VIN_FRAMES],
    ]
    (exchange,), _ = imported(frames)
    assert exchange.at_s == pytest.approx(1.5, abs=1e-6)
    assert [m.after_s for m in exchange.messages] == pytest.approx([0.013], abs=1e-6)


def test_channels_do_not_mix(imported, as_text) -> None:
    lines = [
        "(1700000000.000000) can0 7DF#02010C",
        "(1700000000.001000) can1 7DF#020902",
        "(1700000000.010000) can0 7E8#1014490201313030",
        "(1700000000.011000) can1 7E8#1014490201313030",
        "(1700000000.012000) can1 7E8#2130303030303030",
        "(1700000000.013000) can1 7E8#2230303030303030",
        "(1700000000.014000) can0 7E8#04410C1FD0",
    ]
    exchanges, summary = imported(lines)
    assert as_text(exchanges) == [
        ("010C", FUNCTIONAL, {"7E8": "410C1FD0"}),
        ("0902", FUNCTIONAL, {"7E8": VIN}),
    ]
    assert summary.channels == ("can0", "can1")
    assert summary.faults == ("7E8: message broken off after 6 of 20 bytes",)


def test_faults_are_told_and_cost_only_their_message(imported, as_text) -> None:
    frames = [
        (0, "7DF", "020902"),
        *[f for f in VIN_FRAMES if f[2][:2] != "21"],
        (0.5, "7DF", "02010C"),
        (0.51, "7E8", "04410C1FD0"),
    ]
    exchanges, summary = imported(frames)
    assert as_text(exchanges)[1] == ("010C", FUNCTIONAL, {"7E8": "410C1FD0"})
    assert exchanges[0].outcome is Outcome.GARBLED
    assert summary.fault_count == 1
    assert summary.faults == ("7E8: frame 2 where 1 is due; message dropped",)


def test_single_frames_of_can_fd_are_read_and_long_messages_said(imported, as_text) -> None:
    """ISO 15765-2:2016: in frames of more than eight bytes the second byte holds the length."""
    lines = [
        "(1700000000.000000) can0 7DF##102010C",
        "(1700000000.010000) can0 7E8##10008410C1FD00D2005200000",
        "(1700000000.020000) can0 7E8##1101449020131303030303030",
    ]
    exchanges, summary = imported(lines)
    assert as_text(exchanges) == [("010C", FUNCTIONAL, {"7E8": "410C1FD00D200520"})]
    assert summary.tally.fd_frames == 3
    assert summary.faults == ("7E8: long message in CAN FD frames is not read",)


def test_a_broken_answer_is_told_of_the_request_that_it_was_for(imported, as_text) -> None:
    """That it ends too early shows only when the next answer begins."""
    exchanges, summary = imported(
        [
            (0, "7E0", "0322F187"),
            (0.01, "7E8", "100962F187313233"),
            (1, "7E0", "02010C"),
            (1.01, "7E8", "04410C1FD0"),
            (2, "7DF", "023E00"),
            (2.01, "7E1", "100922F187F188F1"),  # a request that ends early spoils no answer
            (2.02, "7E8", "027E00"),
        ]
    )
    assert [(e.outcome, bool(e.note)) for e in exchanges] == [
        (Outcome.GARBLED, True),
        (Outcome.ANSWERED, False),
        (Outcome.ANSWERED, False),
    ]
    assert summary.faults == (
        "7E8: message broken off after 6 of 9 bytes",
        "7E1: message ends after 6 of 9 bytes",
    )


class TestEcho:
    """A program that hears what it sends logs it twice: common practice, no source.

    Frames: ISO-15765-2; 02 01 0C and 04 41 0C 1A F8 of SAE-J1979.
    """

    ASKED, ANSWERED = "02010C0000000000", "04410C1AF8000000"

    def dialogue(self, apart_s: float, step_s: float) -> list[tuple[float, str, str]]:
        return [
            frame
            for n in range(3)
            for frame in (
                (n * step_s, "7DF", self.ASKED),
                (n * step_s + apart_s, "7DF", self.ASKED),
                (n * step_s + 0.4 * step_s, "7E8", self.ANSWERED),
            )
        ]

    @pytest.mark.parametrize("apart_s", [0.0, 0.000_01, 0.001])
    def test_a_frame_logged_twice_counts_once(self, imported, apart_s):
        frames = [*self.dialogue(apart_s, 0.1), (0.9, "123", "00"), (0.9005, "123", "00")]
        exchanges, summary = imported(frames)
        assert len(exchanges) == 3
        assert all(e.messages for e in exchanges)
        assert (summary.tally.echoes, summary.diagnostic_frames) == (3, 6)

    def test_a_segmented_message_logged_twice_is_whole(self, imported):
        """49 02 01 and seventeen characters, in the frames of ISO-15765-2."""
        parts = ["1014490201314D38", "2147444D39415850", "223034323738380A"]
        long = [
            (0.1 + n * 0.01 + apart, "7E8", p)
            for n, p in enumerate(parts)
            for apart in (0.0, 0.0001)
        ]
        exchanges, summary = imported([(0.0, "7DF", "0209020000000000"), *long])
        assert len(exchanges) == 1
        assert summary.fault_count == 0
        assert summary.tally.echoes == 3

    def test_later_the_same_request_is_another_one(self, imported):
        exchanges, summary = imported(self.dialogue(0.002, 0.1))
        assert len(exchanges) == 6
        assert summary.tally.echoes == 0

    @pytest.mark.parametrize("step_s", [0.0, 5.0])
    def test_times_that_stand_still_or_are_coarse_tell_no_echo(self, imported, step_s):
        _, summary = imported(self.dialogue(0.0, step_s))
        assert summary.tally.echoes == 0
        assert summary.diagnostic_frames == 9
