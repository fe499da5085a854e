"""Identifiers beyond the legislated ones count only where two of them prove each other.

The pairs here are invented; that a module answers eight higher is common practice, no source.
"""

from __future__ import annotations

import random

import pytest

from obdlog.errors import InputFileError

ENGINE = [(0, "7DF", "02010C"), (0.01, "7E8", "04410C1FD0")]


@pytest.mark.parametrize(
    ("request_", "answer", "asked", "answered"),
    [
        ("7B0", "7B8", "0322F190", "0662F190313233"),
        ("7B0", "7B8", "023E00", "027E00"),
        ("737", "73F", "031902AF", "0759022F9A3B4508"),
        ("720", "728", "0418000000", "0258" + "00"),
        ("710", "77A", "0322F190", "0662F190313233"),
        ("18DA28F3", "18DAF328", "0322F190", "0662F190313233"),
    ],
)
def test_a_pair_that_proves_itself(imported, as_text, request_, answer, asked, answered) -> None:
    frames = [(1, request_, asked), (1.02, answer, answered)]
    if request_ == "720":  # a service alone proves little; a second one beside it is enough
        frames += [(2, request_, "021A90"), (2.02, answer, "045A903132")]
    if request_ == "710":  # nothing usual in the two identifiers, so one exchange is not enough
        frames += [(2, request_, "0322F187"), (2.02, answer, "0562F1873132")]
    exchanges, summary = imported(frames)
    assert {(e.request.target, e.messages[0].source) for e in exchanges} == {(request_, answer)}
    assert [(m.address, m.request) for m in summary.modules] == [(answer, request_)]
    assert summary.inferred == 0
    assert len(exchanges) == len(frames) // 2


def test_a_pair_beside_legislated_ones(imported, as_text) -> None:
    exchanges, summary = imported(
        [*ENGINE, (1, "7B0", "0322F190"), (1.02, "7B8", "037F2231"), (2, "7DF", "023E00"),
         (2.01, "7E8", "027E00"), (2.02, "7B8", "027E00")]
    )  # fmt: skip
    assert as_text(exchanges)[1:] == [
        ("22F190", "7B0", {"7B8": "7F2231"}),
        ("3E00", "functional", {"7E8": "7E00", "7B8": "7E00"}),
    ]
    assert [m.address for m in summary.modules] == ["7B8", "7E8"]


@pytest.mark.parametrize(
    "frames",
    [
        pytest.param(
            [
                f
                for n in range(200)
                for f in ((n / 10, "701", "0110"), (n / 10 + 0.01, "709", "0150"))
            ],
            id="periodic, looks like a service and its answer, repeats nothing",
        ),
        pytest.param(
            [(n / 10, "7B8", "0462F19031") for n in range(50)], id="answers without any request"
        ),
        pytest.param([(n / 10, "7B0", "023E00") for n in range(50)], id="requests nobody answers"),
        pytest.param(
            [(0, "7B0", "0322F190"), *[(0.01 + n / 10, "7B8", "0462F19031") for n in range(50)]],
            id="most of what it sends answers nothing",
        ),
        pytest.param(
            [(0, "7B0", "0322F190"), (0.1, "7B8", "0462F18731")], id="answers something else"
        ),
        pytest.param(
            [(0, "7B0", "0322F190"), (6, "7B8", "0462F19031")], id="answers much too late"
        ),
        pytest.param(
            [(0, "701", "0322F190"), (0.01, "77A", "037F2231")], id="unusual pair, one refusal"
        ),
        pytest.param(
            [(0, "18DA28F3", "0322F190"), (0.01, "18DAF329", "0462F19031")],
            id="29 bit, addresses that do not swap",
        ),
    ],
)
def test_what_proves_nothing_is_no_diagnostics(imported, frames) -> None:
    with pytest.raises(InputFileError, match=f"no diagnostic messages found in {len(frames)} "):
        imported(frames)


def test_what_was_not_proven_is_told(imported) -> None:
    _, summary = imported([*ENGINE, *[(n / 10, "7B8", "0462F19031") for n in range(5)]])
    assert summary.unproven == {"7B8": 5}
    assert [m.address for m in summary.modules] == ["7E8"]


@pytest.mark.parametrize("seed", range(5))
def test_random_traffic_in_the_same_range_proves_nothing(imported, seed) -> None:
    chance = random.Random(seed)
    names = [f"{chance.randrange(0x700, 0x7DF):03X}" for _ in range(30)]
    frames = [
        (n / 500, chance.choice(names), chance.randbytes(8).hex().upper()) for n in range(5000)
    ]
    with pytest.raises(InputFileError, match="no diagnostic messages found in 5,000 frames"):
        imported(frames)


@pytest.mark.parametrize("seed", range(5))
def test_counters_that_pass_through_the_form_of_services_prove_nothing(imported, seed) -> None:
    """Periodic frames whose first two bytes count, in step, 64 apart on two identifiers."""
    frames = []
    for n in range(2000):
        low = (n + seed) % 256
        frames.append((n / 100, "700", f"02{low:02X}{low:02X}00"))
        frames.append((n / 100 + 0.001, "708", f"02{(low + 0x40) % 256:02X}{low:02X}00"))
    with pytest.raises(InputFileError, match="no diagnostic messages found"):
        imported(frames)


def test_a_tester_of_another_address_may_ask_all_once_it_has_proven_itself(
    imported, as_text
) -> None:
    exchanges, _ = imported(
        [
            (0, "18DA28F3", "0322F190"), (0.01, "18DAF328", "0462F19031"),
            (1, "18DB33F3", "023E00"), (1.01, "18DAF328", "027E00"),
            (2, "18DB33F4", "023E00"),
        ]
    )  # fmt: skip
    assert as_text(exchanges) == [
        ("22F190", "18DA28F3", {"18DAF328": "62F19031"}),
        ("3E00", "functional", {"18DAF328": "7E00"}),
    ]


TALK = [
    (0, "7B0", "023E00"), (0.01, "7B8", "027E00"),
    (1, "7B0", "0322F190"), (1.01, "7B8", "037F2278"), (1.1, "7B8", "0562F1903132"),
    (2, "7B0", "0322F187"), (2.01, "7B8", "100962F187313233"), (2.03, "7B8", "21343536"),
    (3, "7B0", "031902AF"), (3.01, "7B8", "075902FF4003502F"),
    (4, "7B0", "0322F188"), (4.01, "7B8", "0562F1883132"),
]  # fmt: skip


@pytest.mark.parametrize("lost", range(len(TALK)))
def test_one_lost_frame_does_not_cost_a_module(imported, lost) -> None:
    exchanges, summary = imported(TALK[:lost] + TALK[lost + 1 :])
    assert [m.address for m in summary.modules] == ["7B8"]
    assert not summary.unproven
    assert sum(bool(e.messages) and not e.note for e in exchanges) >= 4


@pytest.mark.parametrize("odd", ["72A", "7B8"])
def test_a_talk_without_its_beginning(imported, odd) -> None:
    frames = [(at, odd if name == "7B8" else name, data) for at, name, data in TALK[1:]]
    exchanges, summary = imported(frames)
    assert [m.address for m in summary.modules] == [odd]
    assert summary.inferred == 1
    assert len(exchanges) == 5


@pytest.mark.parametrize("cut", [(1, 2), (2, 1)])
def test_more_that_does_not_fit_than_a_lost_frame_explains(imported, cut) -> None:
    """Half of what two unrelated identifiers send is no proof, however few the frames are."""
    asks, others = cut
    frames = [(n, "701", "0322F190") for n in range(asks)]
    frames += [(n + 0.01, "77A", "0562F1903132") for n in range(asks)]
    frames += [(n + 0.5, "77A", "0562F1873132") for n in range(others)]
    with pytest.raises(InputFileError, match="no diagnostic messages found"):
        imported(frames)
