"""The commands in the documents run as they stand there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from obdlog.module_map import Search, remember
from obdlog.modules import module_at
from obdlog.session.reader import read_session
from obdlog.simulator.car import SimulatedCar
from obdlog.simulator.link import SimLink
from obdlog.transport.adapter_link import AdapterTransport

ROOT = Path(__file__).parent.parent.parent
FIRST_HOUR = (ROOT / "docs" / "first-hour.md").read_text(encoding="utf-8")
EVERY_MODULE = FIRST_HOUR[FIRST_HOUR.index("## 3.") : FIRST_HOUR.index("## 4.")]
SHORT = {"60s": "3s", "20s": "2s"}


def commands(text: str) -> list[list[str]]:
    """Return the obdlog commands of every shell block in `text`."""
    blocks = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    lines = [line.split(" #")[0] for block in blocks for line in block.splitlines()]
    found = [shlex.split(line)[1:] for line in lines if line.startswith("obdlog ")]
    return [[SHORT.get(word, word) for word in words] for words in found]


def test_first_hour(run, served_car, tmp_path, monkeypatch):
    for name in ("sample_logs", "tests"):
        (tmp_path / name).symlink_to(ROOT / name)
    monkeypatch.setenv("OBDLOG_LINK", served_car)
    # The search takes a minute of real time; the next test runs it in simulated time.
    found = [module_at("7B0", "7B8"), module_at("737", "73F"), module_at("720", "728")]
    remember(tmp_path / "job1", found, Search.DONE)
    ran = commands(FIRST_HOUR.replace(EVERY_MODULE, ""))
    assert len(ran) > 20
    for words in ran:
        if words[0] == "simulate":
            continue  # it is what `served_car` runs
        run(*words, stdin="erase\n" if words[0] == "clear" else None)
    assert (tmp_path / "job1" / "report.html").exists()
    assert (tmp_path / "drive.csv").stat().st_size > 100_000
    assert (tmp_path / "town.png").exists()


def test_every_module_of_the_first_hour(run, monkeypatch):
    # The car is in this process, so that the search takes no minute.
    car = SimulatedCar("airbox-repair")
    monkeypatch.setattr(
        "obdlog.transport.registry.open_transport",
        lambda *_, **__: AdapterTransport(SimLink(car.profile.scenario, car=car)),
    )
    monkeypatch.setenv("OBDLOG_LINK", "car")
    ran = [words for words in commands(EVERY_MODULE) if words[0] != "simulate"]
    assert [words[0] for words in ran[:4]] == ["codes", "vehicle", "clear", "clear"]
    for words in ran:
        if "--after-key-cycle" in words:
            car.after_key_cycle()
        last = run(*words, stdin="erase\n" if words[0] == "clear" else None).stdout
        if "--after-key-cycle" in words:
            assert "B1A2C came back after the erase" in " ".join(last.split())


@pytest.mark.parametrize(
    "path", sorted((ROOT / "sample_logs").glob("*.session.jsonl*")), ids=lambda p: p.name
)
def test_every_sample_is_listed_whole_and_readable(path):
    assert f"`{path.name}`" in (ROOT / "sample_logs" / "README.md").read_text(encoding="utf-8")
    session = read_session(path)
    assert session.complete
    assert session.warnings == []
    assert session.exchanges
