"""PIDs 4F, 50, 13 and 1D: every consumer tells the same true value, for each module by itself.

Two modules report the same quantities. The engine's (7E8) announces full scales of its own, the
other (7E9) zeros, which keep the standard ones; the bytes differ, the values do not. SAE-J1979,
from memory: raw × maximum / 65535 for lambda, voltage and air flow, raw × maximum / 255 for
manifold pressure, (raw − 8000h) × maximum / 32768 for current. What the bytes of 4F and 50 stand
for is in WIKI-OBD2.
"""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest

from analysis.load import load
from analysis.plots import plot_timeline
from obdlog.client import Client
from obdlog.model import UNKNOWN_SOURCE
from obdlog.poll_plan import build_plan
from obdlog.recorder import Recorder
from obdlog.transport.playback import PlaybackTransport
from tests.fakes import TableTransport

ENGINE, OTHER = "7E8", "7E9"

# Maxima: lambda 5, 10 V, 64 mA, 510 kPa; 510 g/s.
OWN = {"4F": "050A4033", "50": "33000000"}
STANDARD = {"4F": "00000000", "50": "00000000"}

# Signal: its true value, the PID, and its data in the engine's own scale and in the standard one.
TRUE = {
    "MAP": (100.0, "0B", "32", "64"),
    "MAF": (200.0, "10", "6464", "4E20"),
    "WO2S1_LAMBDA": (1.0, "24", "33333333", "80004000"),
    "WO2S1_V": (2.0, "24", "33333333", "80004000"),
    "WO2S1_LAMBDA_C": (1.0, "34", "33338400", "80008200"),
    "WO2S1_I": (2.0, "34", "33338400", "80008200"),
    "LAMBDA_CMD": (1.0, "44", "3333", "8000"),
}
# Bank 3 exists (1D, bit 4): 06 and 07 have a second byte; (raw − 128) × 100 / 128 (WIKI-OBD2).
TRIMS = {"SHRTFT1": 6.25, "SHRTFT3": 12.5, "LONGFT1": -6.25, "LONGFT3": -12.5}
OF_ENGINE = {"06": "8890", "07": "7870", "1D": "17", "0C": "0FA0", "0D": "00", "05": "82"}

IDENTIFY = ("0100", "0120", "0140")
SCALES = ("0113", "011D", "014F", "0150")
POLLS = ("010B10243444", "01060C07050D")
FRAME_PIDS = ("06", "0B", "10", "24")
FRAME = ("03", "020000", "022000", "020200", *(f"02{pid}00" for pid in FRAME_PIDS))


def bitmap(base: int, pids: list[int]) -> str:
    bits = sum(1 << (32 - (p - base)) for p in pids if base < p <= base + 32)
    return f"{bits | any(p > base + 32 for p in pids):08X}"


def answer(ask: str, *, own: bool) -> list[list[object]]:
    """Return who answers what; `own`: whether the engine has scales of its own."""
    engine = (OWN if own else STANDARD) | OF_ENGINE
    engine |= {pid: mine if own else usual for _, pid, mine, usual in TRUE.values()}
    other = STANDARD | {"13": "03"} | {pid: usual for _, pid, _, usual in TRUE.values()}
    if ask == "03":
        return [[ENGINE, "43010171", 0.01], [OTHER, "4300", 0.01]]
    if ask.startswith("02"):
        frame = {pid: engine[pid] for pid in FRAME_PIDS} | {"02": "0171"}
        known = [int(pid, 16) for pid in frame]
        frame |= {"00": bitmap(0x00, known), "20": bitmap(0x20, known)}
        return [[ENGINE, f"42{ask[2:]}{frame[ask[2:4]]}", 0.01]]
    found: list[list[object]] = []
    for source, data in ((ENGINE, engine), (OTHER, other)):
        pids = [int(pid, 16) for pid in data]
        told = data | {f"{base:02X}": bitmap(base, pids) for base in (0x00, 0x20, 0x40)}
        asked = [ask[at : at + 2] for at in range(2, len(ask), 2)]
        if reply := "".join(pid + told[pid] for pid in asked if pid in told):
            found.append([source, "41" + reply, 0.01])
    return found


def write_session(path: Path, *, late: bool = False, own: bool = True) -> Path:
    """Write a session of both modules; the scales are asked first, or at the very end."""
    asks = [*IDENTIFY, *(() if late else SCALES), *FRAME, *(POLLS * 60), *(SCALES if late else ())]
    lines: list[object] = [{"kind": "session", "version": 1, "started": "2026-01-01T00:00:00Z"}]
    lines += [
        {"kind": "exchange", "at": float(at), "ask": ask, "got": answer(ask, own=own)}
        for at, ask in enumerate(asks)
    ]
    lines.append({"kind": "end", "at": float(len(asks)), "reason": "finished"})
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    return path


@pytest.fixture(params=[False, True], ids=["scales first", "scales last"])
def session(request, tmp_path) -> Path:
    return write_session(tmp_path / "a.session.jsonl", late=request.param)


def assert_true(path: Path) -> None:
    data = load(path)
    assert data.warnings == ()
    for signal, (value, *_) in TRUE.items():
        for source in (ENGINE, OTHER):
            samples = data.samples(signal, source)
            assert samples.count >= 10, (signal, source)
            assert np.allclose(samples.value, value, rtol=1e-12), (signal, source)
    for signal, value in TRIMS.items():
        assert set(data.samples(signal, ENGINE).value.tolist()) == {value}
        assert not data.samples(signal, OTHER).count


def test_analysis_loads_the_true_values(session):
    assert_true(session)


def test_the_poll_loop_shows_the_true_values(session):
    client = Client(PlaybackTransport(session))
    client.connect()
    recorder = Recorder(client, build_plan(client), keep_latest=True)
    recorder.run(for_s=60)
    latest = {key: reading for key, (_, reading) in recorder.progress.latest.items()}
    for signal, (value, *_) in TRUE.items():
        for source in (ENGINE, OTHER):
            assert latest[source, signal].value == pytest.approx(value, rel=1e-12)
    for signal, value in TRIMS.items():
        assert latest[ENGINE, signal].value == value
        assert (OTHER, signal) not in latest
    # 1D counts four banks of two sensors, 13 two banks of four: both begin at bank 1, sensor 1.
    assert "(B1S1)" in latest[ENGINE, "WO2S1_V"].label
    assert "(B1S1)" in latest[OTHER, "WO2S1_V"].label


def test_a_recording_keeps_what_its_own_values_need(session, run_json, tmp_path):
    again = tmp_path / "again.session.jsonl"
    recording = run_json("record", "--link", session, "--out", again, "--for", "60s")
    assert recording["lost_exchanges"] == 0
    assert_true(again)


def test_watch_shows_the_true_values(session, run):
    shown = run("watch", "--link", session, "--for", "20s", "--signal", "MAF", "--signal", "24")
    for source in (ENGINE, OTHER):
        assert re.search(rf"Air mass flow \({source}\) +200 g/s", shown.stdout)
        assert re.search(rf"lambda.*\({source}\) +1 ", shown.stdout)
        assert re.search(rf"voltage \(B1S1\) \({source}\) +2 V", shown.stdout)


def test_freeze_frames_are_told_in_the_scales_of_their_module(session, run_json):
    modules = run_json("codes", "--link", session)["modules"]
    (frame,) = modules[0]["freeze_frames"]
    values = {r["signal"]: r["value"] for r in frame["readings"]}
    for signal in ("MAP", "MAF", "WO2S1_LAMBDA", "WO2S1_V"):
        assert values[signal] == pytest.approx(TRUE[signal][0], rel=1e-12)
    assert (values["SHRTFT1"], values["SHRTFT3"]) == (6.25, 12.5)


@pytest.mark.parametrize(("service", "number"), [("41", ""), ("42", "00")])
def test_decode_takes_the_scales_from_its_context(service, number, run):
    lines = []
    for value, pid, own, usual in TRUE.values():
        for scales, data in ((OWN, own), (STANDARD, usual)):
            context = [f"41{key}{told}" for key, told in scales.items()]
            entry = {"id": value, "reply": f"{service}{pid}{number}{data}", "context": context}
            lines.append(json.dumps(entry))
    printed = run("decode", "--batch", "-", stdin="\n".join(lines)).stdout.splitlines()
    decoded = [json.loads(line) for line in printed]
    told = {signal: value for signal, (value, *_) in TRUE.items()}
    assert len(decoded) == len(lines)
    for result in decoded:
        assert result["error"] is None
        for reading in result["readings"]:
            assert reading["value"] == pytest.approx(told[reading["signal"]], rel=1e-12)


def test_decode_takes_one_reply_with_its_context(run):
    told = run("decode", "--json", "--context", "4150" + OWN["50"], "41106464").stdout
    assert json.loads(told)["readings"][0]["value"] == 200.0
    assert "200 g/s" in run("decode", "--context", "4150" + OWN["50"], "41106464").stdout
    run("decode", "--context", "4150", "--batch", "-", code=2)


def test_decode_takes_the_scales_of_a_module_from_the_lines_beside(run):
    lines = [
        "7E8 06 41 50 33 00 00 00",
        "7E9 06 41 50 00 00 00 00",
        "7E8 04 41 10 64 64",
        "7E9 04 41 10 4E 20",
    ]
    result = json.loads(run("decode", "--json", *lines).stdout)
    flows = [
        (part["source"], reading["value"])
        for part in result["messages"]
        for reading in part["readings"]
        if reading["signal"] == "MAF"
    ]
    assert flows == [(ENGINE, 200.0), (OTHER, 200.0)]


@pytest.mark.parametrize("layout", ["long", "wide"])
def test_csv_holds_the_true_values(session, run, tmp_path, layout):
    run("export", session, tmp_path / "a.csv", "--layout", layout)
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for signal, (value, *_) in TRUE.items():
        for source in (ENGINE, OTHER):
            if layout == "long":
                found = [r["value"] for r in rows if (r["signal"], r["source"]) == (signal, source)]
            else:
                (column,) = [name for name in rows[0] if name.startswith(f"{signal}.{source}")]
                found = [r[column] for r in rows if r[column]]
            assert found
            assert [float(text) for text in found] == pytest.approx([value] * len(found))


def test_parquet_holds_the_true_values(session, run, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    run("export", session, tmp_path / "a.parquet")
    table = parquet.read_table(tmp_path / "a.parquet").to_pylist()
    for signal, (value, *_) in TRUE.items():
        found = [row["value"] for row in table if row["signal"] == signal]
        assert found == pytest.approx([value] * len(found), rel=1e-12)


def test_mdf_holds_the_true_values(session, run, tmp_path):
    asammdf = pytest.importorskip("asammdf")
    run("export", session, tmp_path / "a.mf4")
    with asammdf.MDF(tmp_path / "a.mf4") as mdf:
        for signal, (value, *_) in TRUE.items():
            for source in (ENGINE, OTHER):
                assert np.allclose(mdf.get(f"{signal}.{source}").samples, value, rtol=1e-12)


def test_what_is_exported_and_imported_is_not_scaled_twice(session, run, tmp_path):
    run("export", session, tmp_path / "a.csv", "--layout", "wide")
    columns = [
        f"{signal}.{ENGINE} [{unit}]={signal}:{unit}"
        for signal, unit in (("MAP", "kPa"), ("MAF", "g/s"), ("WO2S1_V", "V"), ("WO2S1_I", "mA"))
    ]
    named = [part for column in columns for part in ("--column", column)]
    run(
        "import",
        tmp_path / "a.csv",
        "--time",
        "at_s",
        *named,
        "--out",
        tmp_path / "b.session.jsonl",
    )
    data = load(tmp_path / "b.session.jsonl")
    for signal in ("MAP", "MAF", "WO2S1_V", "WO2S1_I"):
        assert np.allclose(data.require(signal).value, TRUE[signal][0], rtol=1e-9)


def test_figures_draw_the_true_values(session):
    figure = plot_timeline(load(session), ["MAF", "MAP"])
    for panel, signal in zip(figure.axes, ("MAF", "MAP"), strict=False):
        drawn = [np.asarray(line.get_ydata(), float) for line in panel.lines]
        drawn = [values[~np.isnan(values)] for values in drawn if len(values) > 10]
        assert drawn
        assert all(np.allclose(values, TRUE[signal][0], rtol=1e-12) for values in drawn)


def test_checks_comparison_and_report_cannot_tell_own_scales_from_standard_ones(
    tmp_path,
    run,
    run_json,
):
    own, usual = tmp_path / "own", tmp_path / "usual"
    for folder, has in ((own, True), (usual, False)):
        folder.mkdir()
        write_session(folder / "01-road-test.session.jsonl", own=has)
    first, second = (f / "01-road-test.session.jsonl" for f in (own, usual))
    assert run_json("check", first)["findings"] == run_json("check", second)["findings"]
    changes = run_json("compare", first, second)["signals"]
    assert {"MAF", "MAP", "WO2S1_V", "LAMBDA_CMD"} <= {c["signal"] for c in changes}
    for change in changes:
        if not change["signal"].startswith("MAX_"):
            assert change["before"] == pytest.approx(change["after"], rel=1e-12), change
    for folder in (own, usual):
        run("report", folder, "--out", folder / "report.html")
    told = [
        re.findall(r"\d+(?:\.\d+)?\s(?:g/s|kPa)", (f / "report.html").read_text("utf-8"))
        for f in (own, usual)
    ]
    assert told[0]
    assert told[0] == told[1]


def test_the_simulated_car_with_own_scales_agrees_with_itself(run_json, tmp_path):
    log = tmp_path / "sim.session.jsonl"
    link = "sim://own-scales?drive=road-test&start_s=1"
    run_json("record", "--link", link, "--out", log, "--for", "60s")
    data = load(log)
    # Largest steps of either scale: 2 kPa, 1000/65535 g/s, 16/65535 V, 1/256 mA; replies of one
    # request tell one moment.
    for signal, step in {"MAP": 2.1, "MAF": 0.03, "WO2S1_V": 0.001, "WO2S1_I": 0.005}.items():
        one, other = (data.require(signal, source) for source in (ENGINE, OTHER))
        assert one.count == other.count > 50
        assert np.abs(one.value - other.value).max() <= step, signal
        assert one.value.max() > one.value.min()


def test_modules_that_cannot_be_told_apart_share_what_any_of_them_states():
    """Without headers the zeros of one module must not undo the scale of another."""
    table = {
        "0100": [("", "410000010003")],
        "014F": [("", "414F050A4033"), ("", "414F00000000")],
        "0150": [("", "415000000000"), ("", "415033000000")],
    }
    told = {key: [(UNKNOWN_SOURCE, payload) for _, payload in got] for key, got in table.items()}
    client = Client(TableTransport(told))
    for ask in ("4F", "50"):
        client.ask(bytes.fromhex("01" + ask))
    context = client.contexts()[UNKNOWN_SOURCE]
    assert (context.pid_4f.hex().upper(), context.pid_50.hex().upper()) == (OWN["4F"], OWN["50"])


def test_a_car_without_bitmaps_is_asked_for_its_scales_all_the_same():
    told = {
        "010C": [(ENGINE, "410C0C80")],
        "010B": [(ENGINE, "410B32")],
        "010B0C": [(ENGINE, "410B320C0C80")],
        "014F": [(ENGINE, "414F050A4033")],
    }
    client = Client(TableTransport(told))
    plan = build_plan(client)
    recorder = Recorder(client, plan, keep_latest=True)
    recorder.run(for_s=1)
    assert recorder.progress.latest[ENGINE, "MAP"][1].value == 100.0


def test_scales_that_come_up_while_polling_hold_from_then_on():
    told = {
        "0100": [(ENGINE, "410000200001")],
        "0120": [(ENGINE, "412000000001")],
        "0140": [(ENGINE, "414000020000")],
        "010B": [(ENGINE, "410B32")],
        "014F": [[], [(ENGINE, "414F050A4033")]],
        "010B4F": [(ENGINE, "410B324F050A4033")],
    }
    client = Client(TableTransport(told))
    recorder = Recorder(client, build_plan(client, [0x0B, 0x4F]), keep_latest=True)
    recorder.run(for_s=1)
    latest = {signal: r.value for (_, signal), (_, r) in recorder.progress.latest.items()}
    assert (latest["MAP"], latest["MAX_MAP"]) == (100.0, 510)
