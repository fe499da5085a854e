from __future__ import annotations

import json
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from analysis.load import load
from obdlog.errors import MissingSignalError, SessionFileError

HEADER = {"kind": "session", "version": 1, "transport": "test", "vehicle": {"fuel": "petrol"}}


@pytest.fixture
def written(tmp_path: Path):
    def write(*records: dict, end: bool = True) -> Path:
        path = tmp_path / "a.session.jsonl"
        lines = [HEADER, *records]
        if end:
            lines.append({"kind": "end", "at": 99.0, "reason": "finished"})
        path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
        return path

    return write


def ask(at: float, request: str, *got: list, **more) -> dict:
    return {"kind": "exchange", "at": at, "ask": request, "got": list(got), **more}


def values(data, signal: str, source: str | None = None) -> list[tuple[float, float]]:
    samples = data.samples(signal, source)
    return list(zip(samples.at_s.tolist(), samples.value.tolist(), strict=True))


# Worked values typed from the formulas of SAE J1979 (PIDs 05, 0C, 0D, 10, 06).
@pytest.mark.parametrize(
    ("request_", "reply", "signal", "value"),
    [
        ("0105", "41057B", "ECT", 83.0),
        ("010C", "410C1AF8", "RPM", 1726.0),
        ("010D", "410D37", "VSS", 55.0),
        ("0110", "41100FA0", "MAF", 40.0),
        ("0106", "410690", "SHRTFT1", 12.5),
    ],
)
def test_a_reply_becomes_a_reading_at_request_time_plus_delay(
    written, request_, reply, signal, value
):
    data = load(written(ask(2.0, request_, ["7E8", reply, 0.25])))
    assert values(data, signal) == [(2.25, value)]
    assert data.readings["source"].tolist() == ["7E8"]


def test_several_pids_in_one_reply_share_its_time(written):
    data = load(written(ask(1.0, "010C0D05", ["7E8", "410C1AF80D37057B", 0.01])))
    assert [values(data, s) for s in ("RPM", "VSS", "ECT")] == [
        [(1.01, 1726.0)],
        [(1.01, 55.0)],
        [(1.01, 83.0)],
    ]


def test_replies_of_one_length_in_another_order_are_told_apart(written):
    data = load(
        written(
            ask(1.0, "010D05", ["7E8", "410D37057B", 0.0]),
            ask(2.0, "010D05", ["7E8", "41057B0D38", 0.0]),
            ask(3.0, "010D05", ["7E8", "410D39057B", 0.0]),
        )
    )
    assert values(data, "VSS") == [(1.0, 55.0), (2.0, 56.0), (3.0, 57.0)]
    assert values(data, "ECT") == [(1.0, 83.0), (2.0, 83.0), (3.0, 83.0)]


def test_two_ecus_are_kept_apart_and_the_busier_one_is_the_default(written):
    data = load(
        written(
            ask(1.0, "010C", ["7E8", "410C1AF8", 0.0], ["7E9", "410C0000", 0.02]),
            ask(2.0, "010C", ["7E8", "410C1AF8", 0.0]),
        )
    )
    assert data.sources("RPM") == ("7E8", "7E9")
    assert [v for _, v in values(data, "RPM")] == [1726.0, 1726.0]
    assert values(data, "RPM", "7E9") == [(1.02, 0.0)]


def test_scale_override_found_later_holds_for_the_whole_session(written):
    # SAE J1979 PID 50: byte A is the full scale of the airflow in tens of g/s
    data = load(
        written(
            ask(1.0, "0110", ["7E8", "4110FFFF", 0.0], ["7E9", "4110FFFF", 0.0]),
            ask(2.0, "0150", ["7E8", "415096000000", 0.0]),
        )
    )
    assert values(data, "MAF", "7E8") == [(1.0, 1500.0)]
    assert values(data, "MAF", "7E9") == [(1.0, 655.35)]


def test_enumerations_stay_codes_and_not_available_is_nan(written):
    data = load(written(ask(1.0, "0103", ["7E8", "41030204", 0.0])))
    assert values(data, "FUELSYS1") == [(1.0, 2.0)]
    assert values(data, "FUELSYS2") == [(1.0, 4.0)]


def test_other_services_bitmaps_and_refusals_are_no_readings(written):
    data = load(
        written(
            ask(1.0, "0100", ["7E8", "4100BE3FA813", 0.0]),
            ask(2.0, "03", ["7E8", "43010102", 0.0]),
            ask(3.0, "010C", ["7E8", "7F0112", 0.0], outcome="refused"),
            ask(4.0, "010C", outcome="no-data"),
        )
    )
    assert len(data.readings) == 0
    assert data.signals() == ()
    assert data.exchanges == 4
    assert data.outcomes == {"answered": 2, "refused": 1, "no-data": 1}
    with pytest.raises(MissingSignalError, match="RPM"):
        data.require("RPM")


def test_adapter_voltage_marks_gaps_and_imported_readings(written):
    data = load(
        written(
            {"kind": "adapter", "at": 1.0, "voltage": 12.4},
            {"kind": "mark", "at": 2.0, "text": "noise\u001b[31m"},
            {"kind": "gap", "at": 3.0, "until": 5.0, "cause": "link lost"},
            {"kind": "reading", "at": 6.0, "signal": "ECT", "value": 90, "unit": "°C"},
            {"kind": "reading", "at": 7.0, "signal": "ECT", "value": 90, "unit": "°F"},
            {"kind": "reading", "at": 8.0, "signal": "NONSENSE", "value": 1, "unit": ""},
            {"kind": "reading", "at": 9.0, "signal": "ECT", "value": "hot", "unit": "°C"},
        )
    )
    assert values(data, "ADAPTER_V", "adapter") == [(1.0, 12.4)]
    assert data.marks[0].at_s == 2.0
    assert "\x1b" not in data.marks[0].text
    assert data.gaps == ((3.0, 5.0, "link lost"),)
    assert values(data, "ECT") == [(6.0, 90.0)]
    assert any("°F" in text for text in data.warnings)
    assert any("NONSENSE" in text for text in data.warnings)
    assert data.end_s == 99.0
    assert data.vehicle == {"fuel": "petrol"}


def test_columns_and_order(written):
    data = load(
        written(
            ask(5.0, "010D", ["7E8", "410D01", 0.0]),
            ask(1.0, "010C", ["7E8", "410C0004", 0.0]),
            end=False,
        )
    )
    frame = data.readings
    assert list(frame.columns) == ["at_s", "source", "signal", "value"]
    assert [str(t) for t in frame.dtypes] == ["float64", "category", "category", "float64"]
    assert frame["at_s"].is_monotonic_increasing
    assert not data.complete
    assert data.seconds == 4.0


@pytest.mark.parametrize(
    "payload",
    [
        "41",
        "410C",
        "410CZZZZ",
        "410C1A",
        "410C1AF",
        "41FF",
        "4122",
        "410C1AF8FF",
        "41" + "00" * 300,
    ],
)
def test_broken_replies_cost_only_themselves(written, payload):
    data = load(
        written(
            ask(1.0, "010C", ["7E8", payload, 0.0]),
            ask(2.0, "010C", ["7E8", "410C1AF8", 0.0]),
            ask(3.0, "0G", ["7E8", "410C1AF8", 0.0]),
            ask(3.0, "010C", ["\u001b[2J", "410C1AF8", 0.0]),
        )
    )
    assert values(data, "RPM") == [(2.0, 1726.0)]
    assert data.sources("RPM") == ("7E8",)


def test_many_random_replies_stay_bounded(written):
    noise = np.random.default_rng(1).integers(0, 256, (3000, 8), dtype=np.uint8)
    records = [
        ask(i / 10, "010C0D05", ["7E8", "41" + bytes(row).hex().upper(), 0.0])
        for i, row in enumerate(noise)
    ]
    data = load(written(*records))
    assert len(data.warnings) <= 100
    assert data.exchanges == 3000


def test_a_file_that_is_no_session_is_one_sentence(tmp_path):
    path = tmp_path / "x.session.jsonl"
    path.write_bytes(b"\x00\x01")
    with pytest.raises(SessionFileError):
        load(path)


def test_memory_stays_within_three_times_the_columns(tmp_path):
    # The project's own measure: at most three times the size of the columns.
    path = tmp_path / "long.session.jsonl"
    with path.open("w", encoding="utf-8") as stream:
        stream.write(json.dumps(HEADER) + "\n")
        for i in range(60_000):
            line = ask(i / 10, "010C0D0504", ["7E8", "410C1AF80D37057B0440", 0.01])
            stream.write(json.dumps(line) + "\n")
    load(path)
    tracemalloc.start()
    data = load(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    size = int(data.readings.memory_usage(index=False).sum())
    assert len(data.readings) == 240_000
    assert peak <= 3 * size


# PIDs from 60 up hold many fields under support bits; lengths SAE J1699-3, scales WIKI-OBD2.


def test_a_long_pid_becomes_one_column_a_field_and_none_for_what_is_not_there(written):
    times = "".join(f"{n:08X}" for n in (10, 20, 30, 40, *[0] * 6))
    data = load(written(*(ask(at, "0181", ["7E8", "418103" + times, 0.0]) for at in (1.0, 2.0))))
    assert values(data, "AECD1_TIME1") == [(1.0, 10.0), (2.0, 10.0)]
    assert values(data, "AECD2_TIME2") == [(1.0, 40.0), (2.0, 40.0)]
    assert not [name for name in data.signals() if name.startswith(("AECD3", "AECD4", "AECD5"))]
    assert data.warnings == ()


def test_a_field_that_comes_and_goes_is_missing_in_between(written):
    data = load(
        written(
            ask(1.0, "0167", ["7E8", "41670382 83".replace(" ", ""), 0.0]),
            ask(2.0, "0167", ["7E8", "4167018400", 0.0]),
            ask(3.0, "0167", ["7E8", "4167038586", 0.0]),
        )
    )
    assert values(data, "ECT1") == [(1.0, 90.0), (2.0, 92.0), (3.0, 93.0)]
    assert values(data, "ECT2") == [(1.0, 91.0), (3.0, 94.0)]


@pytest.mark.parametrize(
    ("reply", "signals"),
    [
        ("41830F0064006500660067", {"NOX11": 100, "NOX12": 101, "NOX21": 102, "NOX22": 103}),
        ("41830300640066", {"NOX11": 100, "NOX21": 102}),
    ],
    ids=["nine bytes", "five bytes"],
)
def test_a_pid_of_two_lengths_is_read_by_its_length(written, reply, signals):
    data = load(written(ask(1.0, "0183", ["7E8", reply, 0.0])))
    assert {name: values(data, name)[0][1] for name in data.signals()} == signals


def test_trims_of_two_bytes_are_told_from_pid_1d_wherever_it_stands(written):
    # 0x80 is 0 %, 0x07 could be the next PID; bank 3 exists (1D = 33).
    data = load(
        written(
            ask(1.0, "01060708", ["7E8", "41068007078080088080", 0.0]),
            ask(2.0, "011D", ["7E8", "411DFF", 0.0]),
        )
    )
    assert values(data, "SHRTFT3") == [(1.0, (0x07 - 128) * 100 / 128)]
    assert values(data, "LONGFT1") == [(1.0, 0.0)]


def test_long_pids_cost_little_more_memory_than_their_readings(written):
    times = "".join(f"{n:08X}" for n in range(10))
    path = written(*(ask(float(at), "0181", ["7E8", "41811F" + times, 0.0]) for at in range(5000)))
    tracemalloc.start()
    data = load(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(data.readings) == 50_000
    assert peak < 6 * int(data.readings.memory_usage(index=False).sum())


# A car after SAE J1979-2 answers service 22 with identifiers F4xx, each with the PID's own data.
def by_identifier(record: dict) -> dict:
    pids = [record["ask"][at : at + 2] for at in range(2, len(record["ask"]), 2)]
    lengths = {"0C": 4, "0D": 2, "05": 2, "06": 2, "4F": 8, "34": 8, "10": 4}
    got = []
    for source, reply, after in record["got"]:
        rest, data = reply[2:], ""
        while rest:
            end = 2 + lengths[rest[:2]]
            data, rest = data + "F4" + rest[:end], rest[end:]
        got.append([source, "62" + data, after])
    return {**record, "ask": "22" + "".join("F4" + pid for pid in pids), "got": got}


DRIVE = [
    ask(0.0, "014F", ["7E8", "414F08000000", 0.01]),
    *(
        ask(
            1.0 + n,
            "010C0D05",
            ["7E8", f"410C{0x1000 + n:04X}0D{n:02X}05{0x40 + n:02X}", 0.01],
            ["7E9", f"410D{n:02X}", 0.02],
        )
        for n in range(40)
    ),
    ask(50.0, "010C0D05", ["7E8", "4105500C10000D20", 0.01]),  # in another order
    ask(51.0, "010C0D05", ["7E8", "410C10000D20", 0.01]),  # one PID less
    ask(52.0, "010634", ["7E8", "4106903480008000", 0.01]),
]


def test_a_drive_by_identifiers_gives_the_signals_of_a_classic_one(written):
    classic = load(written(*DRIVE))
    newer = load(written(*map(by_identifier, DRIVE)))
    assert not classic.readings.empty
    assert newer.readings.equals(classic.readings)
    assert newer.warnings == classic.warnings == ()
    assert newer.outcomes == classic.outcomes


@pytest.mark.parametrize(
    ("request_", "reply"),
    [
        ("22F40C", "62F40D37"),
        ("22F40CF40D", "62F40C1AF8F40D"),
        ("22F40C", "62F4"),
        ("22F40C", "62F40C1AF"),
        ("22F40CF190", "62F40C1AF8"),
        ("", "62F40C1AF8"),
        ("010C", "62F40C1AF8"),
    ],
)
def test_a_damaged_reply_by_identifier_costs_only_itself(written, request_, reply):
    good = ask(1.0, "22F40D", ["7E8", "62F40D37", 0.0])
    data = load(written(ask(0.5, request_, ["7E8", reply, 0.0]), good))
    assert values(data, "VSS") == [(1.0, 55.0)]
    assert data.warnings


def test_other_replies_of_service_22_are_no_readings(written):
    data = load(
        written(
            ask(0.5, "22F802", ["7E8", "62F80241", 0.0]),
            ask(1.0, "22F190", ["7B8", "62F190", 0.0]),
            ask(1.5, "22F502", ["7E8", "62F502BEEF", 0.0]),
        )
    )
    assert data.readings.empty
    assert data.warnings == ()
