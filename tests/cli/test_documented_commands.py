"""The commands in the documents run as they stand there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from obdlog.session.reader import read_session

ROOT = Path(__file__).parent.parent.parent
FIRST_HOUR = (ROOT / "docs" / "first-hour.md").read_text(encoding="utf-8")
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
    ran = commands(FIRST_HOUR)
    assert len(ran) > 20
    for words in ran:
        if words[0] == "simulate":
            continue  # it is what `served_car` runs
        run(*words, stdin="erase\n" if words[0] == "clear" else None)
    assert (tmp_path / "job1" / "report.html").exists()
    assert (tmp_path / "drive.csv").stat().st_size > 100_000
    assert (tmp_path / "town.png").exists()


@pytest.mark.parametrize(
    "path", sorted((ROOT / "sample_logs").glob("*.session.jsonl*")), ids=lambda p: p.name
)
def test_every_sample_is_listed_whole_and_readable(path):
    assert f"`{path.name}`" in (ROOT / "sample_logs" / "README.md").read_text(encoding="utf-8")
    session = read_session(path)
    assert session.complete
    assert session.warnings == []
    assert session.exchanges
