"""The demo: the whole story, and the same story with the fault still there."""

from __future__ import annotations

import json

from analysis.report.load import load_case
from obdlog.case import session_files


def test_demo_tells_the_whole_job_and_leaves_a_report(run, tmp_path):
    output = run("demo").stdout
    for step in ("obdlog codes", "obdlog clear", "obdlog record", "obdlog check", "obdlog compare"):
        assert step in output
    folder = tmp_path / "obdlog-demo"
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert report.startswith(("<!doctype html>", "<!DOCTYPE html>"))
    assert "http://" not in report.replace("http://www.w3.org/", "")
    assert len(session_files(folder)) == 6
    verdicts = {
        i.key[:2]: str(i.verdict) for i in load_case(folder).comparison.repair if i.key is not None
    }
    assert verdicts["7E8", "P0102"] == "proven"
    assert verdicts["7E8", "U0121"] == "proven"
    # The modules beyond the legislated ones say themselves that their tests ran and passed.
    assert verdicts["7B8", "C0034"] == "proven"
    assert verdicts["73F", "B0050"] == "proven"
    # Nobody worked on what this one is about, and it fails whenever it is tested.
    assert verdicts["77A", "B1A2C"] == "contradicted"
    # The evaporative monitor needs a night at rest: the demo does not pretend otherwise.
    assert verdicts["7E8", "P0442"] == "not-proven"


def test_demo_tells_of_every_module_and_its_lamp(run):
    output = " ".join(run("demo").stdout.split())
    for words in (
        "brake control (7B8, asked at 7B0): asks for its lamp",
        "Restraints (airbags, belt tensioners): licensed practice only.",
        "brake control (7B8) still wants its lamp lit, as is usual right after an erase",
        "the lamps of engine control (7E8), instruments (728), restraint control (73F), brake "
        "control (7B8) should be out now",
        "brake control (7B8, asked at 7B0): asks for no lamp",
        "nothing here says that it is clean",
    ):
        assert words in output


def test_the_same_story_not_really_repaired_is_contradicted(run, run_json, tmp_path):
    run("demo", "--not-repaired", "--out", "bad")
    comparison = run_json("compare", "bad")
    verdicts = {i["item"]: i["verdict"] for i in comparison["repair"]}
    assert verdicts["P0102"] == "contradicted"
    assert "P0102" in {c["code"] for c in comparison["remaining"]}
    after = load_case(tmp_path / "bad").after.codes
    judged = {c["code"]: c["judgement"] for m in after["modules"] for c in m["codes"]}
    assert judged["P0102"] == "fault"
    findings = run_json("check", "bad", "--fail-on", "outside", code=10)
    assert any(f["signal"] == "MAF" and f["verdict"] == "outside" for f in findings["findings"])


def test_a_second_demo_does_not_touch_the_first(run, tmp_path):
    (tmp_path / "obdlog-demo").mkdir()
    (tmp_path / "obdlog-demo" / "mine.txt").write_text("keep", encoding="utf-8")
    run("demo")
    assert (tmp_path / "obdlog-demo" / "mine.txt").read_text(encoding="utf-8") == "keep"
    assert (tmp_path / "obdlog-demo-2" / "report.html").exists()


def test_one_seed_gives_one_drive(run, tmp_path):
    def polled(folder: str) -> list[str]:
        log = next((tmp_path / folder).glob("*road-test.session.jsonl"))
        lines = map(json.loads, log.read_text(encoding="utf-8").splitlines()[:400])
        return [line["got"] for line in lines if line["kind"] == "exchange"]

    run("demo", "--out", "a")
    run("demo", "--out", "b")
    assert polled("a") == polled("b")


def test_a_real_job_is_never_mixed_with_invented_sessions(run, tmp_path):
    run("codes", "--link", "sim://airbox-repair", "--case", "job")
    before = {p.name: p.read_bytes() for p in (tmp_path / "job").iterdir()}
    said = run("demo", "--out", "job", code=2).stderr
    assert "not empty" in " ".join(said.split())
    assert {p.name: p.read_bytes() for p in (tmp_path / "job").iterdir()} == before
    (tmp_path / "note.txt").write_text("a file", encoding="utf-8")
    run("demo", "--out", "note.txt", code=2)
    (tmp_path / "new").mkdir()
    run("demo", "--out", "new")
    assert (tmp_path / "new" / "report.html").exists()
