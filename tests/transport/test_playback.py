"""Playback answers from what was recorded, and never from anything else."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog.clock import ManualClock
from obdlog.errors import NoAnswerError, RefusedError, SessionFileError
from obdlog.model import EcuMessage, Exchange, Outcome, Request
from obdlog.session.format import SessionHeader
from obdlog.session.writer import SessionWriter
from obdlog.transport.playback import (
    NOT_RECORDED,
    PlaybackTransport,
    protocol_from_sources,
    protocol_from_text,
)

CAN = "ISO 15765-4 CAN 11 bit, 500 kbit/s"
Got = tuple[str, str]


def recorded(
    path: Path,
    *entries: tuple[float, str, str, tuple[Got, ...]],
    protocol: str = CAN,
    outcome: Outcome | None = None,
) -> Path:
    clock = ManualClock()
    header = SessionHeader(version=1, protocol=protocol)
    with SessionWriter(path, header, clock, ManualClock()) as writer:
        writer.adapter(voltage_v=12.4, identity="TEST100 v1.5", at_s=0.0)
        for at_s, ask, to, got in entries:
            messages = tuple(EcuMessage(s, bytes.fromhex(p), 0.03) for s, p in got)
            usual = Outcome.ANSWERED if got else Outcome.NO_DATA
            request = Request(bytes.fromhex(ask), to)
            writer.exchange(Exchange(at_s, request, messages, outcome or usual))
        writer.adapter(voltage_v=14.1, at_s=5.0)
    return path


def ask(transport: PlaybackTransport, payload: str, to: str = "functional") -> Exchange:
    return transport.exchange(Request(bytes.fromhex(payload), to))


def payloads(exchange: Exchange) -> list[tuple[str, str]]:
    return [(m.source, m.payload.hex().upper()) for m in exchange.messages]


ALL = "functional"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a.session.jsonl"


def test_exact_requests_come_in_recorded_order_and_the_last_again(path: Path) -> None:
    recorded(
        path,
        (1.0, "010C", ALL, (("7E8", "410C0001"),)),
        (2.0, "010C", ALL, (("7E8", "410C0002"),)),
        (3.0, "010C", "7E0", (("7E8", "410C0003"),)),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    values = [payloads(ask(transport, "010C"))[0][1] for _ in range(4)]
    assert values == ["410C0001", "410C0002", "410C0002", "410C0002"]
    assert payloads(ask(transport, "010C", "7E0")) == [("7E8", "410C0003")]


def test_simulated_time_follows_the_recording_and_never_stands(path: Path) -> None:
    recorded(
        path,
        (1.0, "010C", ALL, (("7E8", "410C0001"),)),
        (62.0, "010C", ALL, (("7E8", "410C0002"),)),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    assert ask(transport, "010C").at_s == 1.0
    assert not transport.at_end
    assert ask(transport, "010C").at_s == 62.0
    assert transport.at_end
    before_s = transport.clock.now_s()
    for payload in ("010C", "0911"):
        ask(transport, payload)
        assert transport.clock.now_s() > before_s
        before_s = transport.clock.now_s()


def test_recorded_pace_keeps_the_distances_of_the_recording(path: Path) -> None:
    recorded(
        path,
        (1.0, "010C", ALL, (("7E8", "410C0001"),)),
        (4.0, "010C", ALL, (("7E8", "410C0002"),)),
    )
    clock = ManualClock(1000.0)
    transport = PlaybackTransport(path, pace="recorded", clock=clock)
    transport.connect()
    assert [ask(transport, "010C").at_s for _ in range(2)] == [1001.0, 1004.0]
    with pytest.raises(ValueError, match="pace"):
        PlaybackTransport(path, pace="slow")


def test_outcomes_come_as_they_were(path: Path) -> None:
    recorded(path, (0.0, "0902", ALL, (("7E8", "7F0912"),)), outcome=Outcome.REFUSED)
    transport = PlaybackTransport(path)
    transport.connect()
    exchange = ask(transport, "0902")
    assert exchange.outcome is Outcome.REFUSED
    assert exchange.refusals()


@pytest.mark.parametrize("payload", ["0911", "0120", "03", "020C00", "1902FF"])
def test_what_was_not_recorded_is_no_data_with_a_note(path: Path, payload: str) -> None:
    recorded(path, (0.0, "0100", ALL, (("7E8", "4100BE3EA813"),)))
    transport = PlaybackTransport(path)
    transport.connect()
    exchange = ask(transport, payload)
    assert (exchange.outcome, exchange.note) == (Outcome.NO_DATA, NOT_RECORDED)
    assert exchange.messages == ()


def test_one_pid_is_taken_out_of_requests_for_several(path: Path) -> None:
    recorded(
        path,
        (1.0, "010C0D", ALL, (("7E8", "410C1AF80D20"), ("7E9", "410D21"))),
        (2.0, "010C0D", ALL, (("7E8", "410D220C1AF9"),)),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    assert payloads(ask(transport, "010C")) == [("7E8", "410C1AF8")]
    assert payloads(ask(transport, "010C")) == [("7E8", "410C1AF9")]
    assert payloads(ask(transport, "010D")) == [("7E8", "410D20"), ("7E9", "410D21")]
    assert payloads(ask(transport, "010D")) == [("7E8", "410D22"), ("7E9", "410D21")]


def test_several_pids_are_put_together_from_requests_for_one(path: Path) -> None:
    recorded(
        path,
        (1.0, "010C", ALL, (("7E8", "410C1AF8"),)),
        (1.1, "010D", ALL, (("7E8", "410D20"), ("7E9", "410D21"))),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    exchange = ask(transport, "010D0C11")
    assert payloads(exchange) == [("7E8", "410D200C1AF8"), ("7E9", "410D21")]
    assert ask(transport, "0111").note == NOT_RECORDED


def test_a_question_to_all_serves_one_and_the_other_way_round(path: Path) -> None:
    recorded(
        path,
        (1.0, "0904", ALL, (("7E8", "490401AA"), ("7E9", "490401BB"))),
        (2.0, "0902", "7E0", (("7E8", "490201AA"),)),
        (3.0, "0902", "7E1", (("7E9", "490201BB"),)),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    assert payloads(ask(transport, "0904", "7E1")) == [("7E9", "490401BB")]
    assert ask(transport, "0904", "7E2").outcome is Outcome.NO_DATA
    assert ask(transport, "0904", "740").note == NOT_RECORDED
    assert payloads(ask(transport, "0902")) == [("7E8", "490201AA"), ("7E9", "490201BB")]


@pytest.mark.parametrize("payload", ["04", "14FFFFFF", "0801", "2E0100", "BA"])
def test_a_recording_cannot_be_changed(path: Path, payload: str) -> None:
    recorded(path, (1.0, payload, ALL, (("7E8", "44"),)))
    transport = PlaybackTransport(path)
    transport.connect()
    with pytest.raises(RefusedError, match="cannot be changed or erased"):
        ask(transport, payload)


def test_the_adapter_is_the_recorded_one(path: Path) -> None:
    recorded(path, (6.0, "010C", ALL, (("7E8", "410C0001"),)))
    transport = PlaybackTransport(path)
    assert transport.identity == "TEST100 v1.5"
    assert transport.voltage_v() == 12.4
    transport.connect()
    ask(transport, "010C")
    assert transport.voltage_v() == 14.1
    transport.close()
    transport.close()


def test_a_recording_without_answers_is_a_car_that_does_not_answer(path: Path) -> None:
    recorded(path, (0.0, "0100", ALL, ()))
    transport = PlaybackTransport(path)
    assert transport.voltage_v() == 12.4
    with pytest.raises(NoAnswerError, match="holds no answers"):
        transport.connect()


def test_what_is_no_session_is_said_when_opening(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError):
        PlaybackTransport(tmp_path / "no.session.jsonl")


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("SAE J1850 PWM 41.6 kbit/s", "1"),
        ("J1850-VPW", "2"),
        ("ISO 9141-2", "3"),
        ("ISO 14230-4 (KWP, 5 baud init)", "4"),
        ("ISO 14230-4 slow start", "4"),
        ("ISO 14230-4 (KWP FAST)", "5"),
        (CAN, "6"),
        (f"{CAN} (taken from the replies)", "6"),
        ("ISO 15765-4 (CAN 29/500)", "7"),
        ("CAN, 11-bit, 250 kbit/s", "8"),
        ("can 29 bit 250k baud 250", "9"),
        ("", None),
        ("SAE J1939", None),
        ("\x1b[2J", None),
    ],
)
def test_the_protocol_is_told_from_free_text(text: str, number: str | None) -> None:
    protocol = protocol_from_text(text)
    assert (protocol.number if protocol else None) == number


@pytest.mark.parametrize(
    ("sources", "number"),
    [
        (["7E8", "7E9"], "6"),
        (["18DAF110"], "7"),
        (["10"], "3"),
        (["unknown", "7E8"], "6"),
        (["unknown"], None),
        ([], None),
    ],
)
def test_or_from_the_addresses(sources: list[str], number: str | None) -> None:
    protocol = protocol_from_sources(sources)
    assert (protocol.number if protocol else None) == number


def test_freeze_frames_are_taken_out_of_requests_for_several(path: Path) -> None:
    # SAE J1979, service 02: each PID is followed by its frame number, asked and answered.
    recorded(
        path,
        (1.0, "02020005000C00", ALL, (("7E8", "42020001020500500C001AF8"),)),
        (2.0, "0205010C01", ALL, (("7E8", "42050155"), ("7E9", "42050166"))),
    )
    transport = PlaybackTransport(path)
    transport.connect()
    assert payloads(ask(transport, "020200")) == [("7E8", "4202000102")]
    assert payloads(ask(transport, "020C00")) == [("7E8", "420C001AF8")]
    assert payloads(ask(transport, "020501")) == [("7E8", "42050155"), ("7E9", "42050166")]
    assert payloads(ask(transport, "02050005010C00")) == [
        ("7E8", "420500500501550C001AF8"),
        ("7E9", "42050166"),
    ]
    for unknown in ("020D00", "020C01", "02", "0205"):
        assert ask(transport, unknown).note == NOT_RECORDED
    # A freeze frame is no live reading, and the other way round.
    assert ask(transport, "010C").note == NOT_RECORDED


def test_it_says_what_was_asked(path: Path) -> None:
    recorded(
        path,
        (1.0, "0601", ALL, (("7E8", "46018024000100000002"),)),
        (2.0, "03", ALL, (("7E8", "4300"),)),
        (3.0, "0601", "7E0", (("7E8", "46018024000100000002"),)),
    )
    assert PlaybackTransport(path).asked == (b"\x06\x01", b"\x03")


def test_without_header_and_addresses_it_is_the_usual_bus(path: Path) -> None:
    recorded(path, (1.0, "03", ALL, (("unknown", "43010102"),)), protocol="")
    transport = PlaybackTransport(path)
    assert transport.connect().name == CAN
    assert payloads(ask(transport, "03")) == [("unknown", "43010102")]


def test_an_absurd_protocol_text_is_read_as_fast_as_any(tmp_path: Path) -> None:
    # A quadratic search through this would take hours.
    assert protocol_from_text("29 " * 300_000) is None
    assert protocol_from_text("CAN 29 500 " + "x" * 900_000) is not None


class TestSinceAnErase:
    """SAE-J1979 service 04 (44) and ISO-14229-1 service 14 (54) end what codes were before."""

    OLD, NEW = ("7E8", "43010171"), ("7E8", "4300")

    def codes(self, transport: PlaybackTransport, payload: str, to: str = ALL) -> Exchange:
        return transport.exchange(Request(bytes.fromhex(payload), to, "codes"))

    @pytest.fixture
    def played(self, path: Path) -> PlaybackTransport:
        recorded(
            path,
            (0.0, "03", ALL, (self.OLD, ("7E9", "4300"))),
            (0.1, "0A", ALL, (("7E8", "4A010171"), ("7E9", "4A010700"))),
            (0.2, "010105", ALL, (("7E8", "4101810765000540"),)),
            (0.3, "1902AF", "7B0", (("7B8", "5902AF40310009"),)),
            (0.4, "04", ALL, (("7E8", "44"), ("7E9", "7F0422"))),
            (0.5, "14FFFFFF", "7B0", (("7B8", "54"),)),
            (0.6, "03", ALL, (self.NEW, ("7E9", "4300"))),
        )
        transport = PlaybackTransport(path)
        transport.connect()
        return transport

    def test_a_question_for_codes_gets_what_was_read_after_it(self, played: PlaybackTransport):
        assert payloads(self.codes(played, "03")) == [self.NEW, ("7E9", "4300")]
        assert payloads(self.codes(played, "03")) == [self.NEW, ("7E9", "4300")]

    def test_any_other_question_gets_the_recorded_order(self, played: PlaybackTransport):
        assert payloads(ask(played, "03"))[0] == self.OLD
        assert payloads(ask(played, "03"))[0] == self.NEW

    def test_only_the_module_that_erased_forgets(self, played: PlaybackTransport):
        assert payloads(self.codes(played, "0A")) == [("7E9", "4A010700")]

    @pytest.mark.parametrize(("asked", "to"), [("1902AF", "7B0"), ("0101", ALL)])
    def test_nothing_is_played_where_nothing_followed(self, played, asked, to):
        exchange = self.codes(played, asked, to)
        assert exchange.messages == ()
        assert exchange.outcome is Outcome.NO_DATA

    def test_what_is_no_code_still_plays(self, played: PlaybackTransport):
        assert payloads(self.codes(played, "0105")) == [("7E8", "410540")]

    def test_a_later_answer_of_one_module_is_taken_from_its_own_question(self, path: Path):
        recorded(
            path,
            (0.0, "03", ALL, (self.OLD,)),
            (0.1, "04", ALL, (("7E8", "44"),)),
            (0.2, "03", "7E0", (self.NEW,)),
        )
        transport = PlaybackTransport(path)
        transport.connect()
        assert payloads(self.codes(transport, "03")) == [self.NEW]
