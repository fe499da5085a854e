"""Which road a link URL opens."""

from __future__ import annotations

from pathlib import Path

import pytest

from obdlog.errors import LinkOpenError, OpenFailure, SessionFileError
from obdlog.transport.registry import open_transport

SESSION = (
    '{"kind":"session","version":1,"protocol":"ISO 9141-2"}\n'
    '{"kind":"exchange","at":1,"ask":"010C","got":[["10","410C1AF8"]]}\n'
)


@pytest.mark.parametrize("form", ["{path}", "replay://{path}", "replay://{path}?pace=recorded"])
def test_a_session_file_is_played_back(tmp_path: Path, form: str) -> None:
    path = tmp_path / "a b.session.jsonl"
    path.write_text(SESSION, "utf-8")
    transport = open_transport(form.format(path=path.as_posix()))
    assert transport.kind == "playback"
    assert transport.connect().number == "3"


@pytest.mark.parametrize("url", ["replay://x.session.jsonl?pace=slow", "a.jsonl?speed=1"])
def test_an_option_it_does_not_have_is_said(url: str) -> None:
    with pytest.raises(LinkOpenError, match=r"pace") as caught:
        open_transport(url)
    assert caught.value.reason is OpenFailure.BAD_URL


def test_a_missing_recording_is_a_file_error() -> None:
    with pytest.raises(SessionFileError, match="there is no file"):
        open_transport("replay:///no/such.session.jsonl")
