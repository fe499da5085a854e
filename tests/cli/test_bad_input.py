"""Each bad input gets one clear sentence and the contract's exit code, never a traceback."""

from __future__ import annotations

import gzip
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from obdlog.session.reader import read_session

HEADER = {"kind": "session", "version": 1, "started": "2026-01-01T00:00:00Z"}
USAGE, LINK, SILENT, REFUSED, FILE, INTERRUPTED = 2, 3, 4, 5, 6, 130


@contextmanager
def device(answer: Callable[[bytes], bytes]) -> Iterator[str]:
    """Serve something on a loopback port that answers with `answer`, and yield its URL."""
    listener = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def serve() -> None:
        while not stop.is_set():
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                connection.settimeout(20)
                try:
                    while data := connection.recv(1024):
                        connection.sendall(answer(data))
                except OSError:
                    pass

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"socket://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        stop.set()
        listener.close()
        thread.join(timeout=5)


def sentence(result) -> str:
    """Return what a failed command says, which must be short."""
    text = result.stderr.strip()
    assert text
    assert len(text.splitlines()) <= 5, text
    return " ".join(text.split())


@pytest.mark.parametrize(
    ("link", "code", "says"),
    [
        ("/dev/no-such-port", LINK, "no-such-port"),
        ("socket://127.0.0.1:1", LINK, "127.0.0.1"),
        ("socket://127.0.0.1", LINK, "socket://"),
        ("telepathy://car", LINK, "telepathy"),
        ("can://socketcan/can0", LINK, "can"),
        ("sim://no-such-car", LINK, "no-such-car"),
        ("sim://healthy-petrol?no_such_option=1", LINK, "no_such_option"),
        ("no-such.session.jsonl", FILE, "no-such.session.jsonl"),
    ],
)
def test_a_link_that_cannot_be_opened(run, link, code, says):
    assert says in sentence(run("codes", "--link", link, code=code))


def test_no_link_named_and_no_port(run, monkeypatch):
    monkeypatch.setattr("obdlog.links.serial_port.list_ports", lambda: ())
    assert "--link" in sentence(run("codes", code=LINK))


def test_more_than_one_port_is_never_guessed(run, monkeypatch):
    from obdlog.links.serial_port import PortInfo

    ports = (PortInfo("/dev/ttyX0", "one", "", ""), PortInfo("/dev/ttyX1", "two", "", ""))
    monkeypatch.setattr("obdlog.links.serial_port.list_ports", lambda: ports)
    said = sentence(run("codes", code=LINK))
    assert "/dev/ttyX0" in said
    assert "/dev/ttyX1" in said


@pytest.mark.parametrize(
    "answer",
    [
        lambda data: data,
        lambda data: b"HTTP/1.1 400 Bad Request\r\n\r\n",
        lambda data: bytes(range(256)),
    ],
    ids=["echo", "web server", "noise"],
)
def test_a_device_that_is_no_adapter(run, answer):
    with device(answer) as url:
        assert "adapter" in sentence(run("codes", "--link", url, code=LINK))


def test_ignition_off(run):
    with device(_adapter_without_car) as url:
        assert "gnition" in sentence(run("codes", "--link", url, code=SILENT))


def _adapter_without_car(data: bytes) -> bytes:
    command = data.strip().upper()
    if command in (b"ATZ", b"ATWS", b"ATI"):
        return b"ELM327 v1.5\r\r>"
    if command.startswith(b"01"):
        return b"SEARCHING...\rUNABLE TO CONNECT\r\r>"
    if command == b"ATRV":
        return b"12.1V\r\r>"
    return b"OK\r\r>"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02" * 100, "session"),
        (b"hello\n", "session"),
        (b'{"kind":"session","version":2}\n', "version 2"),
        (b'{"kind":"mark","at":0}\n', "session"),
        (b"[" * 100_000, "session"),
    ],
    ids=["empty", "binary", "text", "newer", "no header", "nested"],
)
@pytest.mark.parametrize("command", ["check", "plot", "codes"])
def test_a_file_that_is_no_session(run, tmp_path, command, content, says):
    path = tmp_path / "x.session.jsonl"
    path.write_bytes(content)
    args = ["--link", path] if command == "codes" else [path]
    assert says in sentence(run(command, *args, code=FILE)).lower()


def test_a_torn_last_line_costs_only_itself(run, run_json, tmp_path):
    run("codes", "--link", "sim://airbox-repair", "--save", "a.session.jsonl")
    whole = (tmp_path / "a.session.jsonl").read_bytes()
    (tmp_path / "b.session.jsonl").write_bytes(whole[:-40])
    (tmp_path / "c.session.jsonl.gz").write_bytes(gzip.compress(whole[:-40]))
    for name in ("b.session.jsonl", "c.session.jsonl.gz"):
        assert run_json("codes", "--link", name)["modules"][0]["codes"]


@pytest.mark.parametrize(
    ("out", "code", "says"),
    [
        ("no-such-folder/a.csv", FILE, "cannot be written"),
        ("a.session.csv", USAGE, "would replace the session"),
    ],
)
def test_an_export_that_cannot_be_written_there(run, tmp_path, out, code, says):
    run("record", "--link", "sim://healthy-petrol", "--for", "5s", "--out", "a.session.jsonl")
    (tmp_path / "a.session.jsonl").rename(tmp_path / "a.session.csv")
    before = (tmp_path / "a.session.csv").read_bytes()
    assert says in " ".join(run("export", "a.session.csv", out, code=code).stderr.split())
    assert (tmp_path / "a.session.csv").read_bytes() == before


@pytest.mark.parametrize("encoding", ["ascii", "cp437", "utf-8"])
def test_no_terminal_encoding_ends_a_command(encoding):
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "COLUMNS": "120"}

    def run(*args: str) -> subprocess.CompletedProcess[bytes]:
        done = subprocess.run(
            [sys.executable, "-m", "obdlog", *args],
            capture_output=True,
            env=environment,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done

    assert b"Engine" in run("codes", "--link", "sim://airbox-repair").stdout
    assert run("codes", "--help").stdout
    # JSON between programs is UTF-8 (RFC 8259, 8.1).
    text = run("explain", "ECT", "--json").stdout.decode("utf-8")
    assert "°C" in json.dumps(json.loads(text), ensure_ascii=False)


def test_a_broken_session_in_a_case_costs_only_itself(run, tmp_path):
    run("codes", "--link", "sim://airbox-repair", "--case", "job")
    (tmp_path / "job" / "00-broken.session.jsonl").write_bytes(b"\x00\xff")
    result = run("codes", "--link", "sim://airbox-repair", "--case", "job")
    assert "00-broken.session.jsonl is left out of the history" in " ".join(result.stderr.split())


def test_a_case_file_with_a_number_beyond_all_bounds(run, tmp_path):
    (tmp_path / "job").mkdir()
    (tmp_path / "job" / "case.toml").write_text(f"a = {'9' * 5000}\n", encoding="utf-8")
    said = sentence(run("codes", "--link", "sim://healthy-petrol", "--case", "job", code=FILE))
    assert "not valid TOML" in said


def test_a_session_of_codes_has_nothing_to_plot(run):
    run("codes", "--link", "sim://legacy-kwp", "--save", "a.session.jsonl")
    assert "BARO" in sentence(run("plot", "a.session.jsonl", "--signal", "BARO", code=FILE))


def test_a_session_is_never_overwritten(run):
    run("codes", "--link", "sim://healthy-petrol", "--save", "a.session.jsonl")
    said = sentence(
        run("codes", "--link", "sim://healthy-petrol", "--save", "a.session.jsonl", code=FILE)
    )
    assert "exists" in said


def test_a_recording_cannot_be_erased(run):
    run("codes", "--link", "sim://airbox-repair", "--save", "a.session.jsonl")
    assert "cannot be erased" in sentence(
        run("clear", "--link", "a.session.jsonl", "--yes", code=REFUSED)
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("a,b,c\n1,2,3\n", "time_s"),
        ("time_s,pid,value\n1,0C,fast\n", "2"),
        ("time_s,pid,value\n2,0C,800\n1,0C,800\n", "3"),
        ("time_s,pid,value\n1,ZZ,800\n", "ZZ"),
        ("time_s,pid,value\n", "no"),
        ("\x00\x01\x02", "binary"),
    ],
    ids=["empty", "columns", "text in numbers", "falling time", "no signal", "no rows", "binary"],
)
def test_a_csv_that_is_not_as_stated(run, tmp_path, text, says):
    (tmp_path / "x.csv").write_text(text, encoding="utf-8")
    sentence_ = sentence(run("import", "x.csv", code=FILE))
    assert says in sentence_
    assert not (tmp_path / "x.session.jsonl").exists()


@pytest.mark.parametrize(
    "args",
    [
        ("explain", "P01"),
        ("explain", "no such thing"),
        ("record", "--link", "sim://healthy-petrol", "--for", "soon"),
        ("record", "--link", "sim://healthy-petrol", "--signal", "NOSUCH", "--for", "1s"),
        ("decode",),
        ("export", "x.session.jsonl", "x.doc"),
        ("simulate",),
        ("nosuch",),
        ("codes", "--units", "parsec"),
    ],
    ids=lambda args: " ".join(args),
)
def test_wrong_usage(run, args):
    assert run(*args, code=USAGE).stderr


def test_unknown_codes_are_explained_honestly(run):
    output = run("explain", "P1234").stdout
    assert "maker" in output


def test_an_unconfirmed_erase_leaves_all_as_it_is(run, tmp_path):
    for answer in ("no\n", "ERASE NOW\n", ""):
        result = run("clear", "--link", "sim://airbox-repair", stdin=answer, code=REFUSED)
        assert "nothing was erased" in result.stderr
    for session in tmp_path.glob("case-*/*.session.jsonl"):
        asked = [e.request.payload for e in read_session(session).exchanges]
        assert b"\x04" not in asked


def test_the_typed_word_erases(run):
    result = run("clear", "--link", "sim://airbox-repair", "--json", stdin="erase\n")
    assert "Erasing destroys" in result.stderr
    assert "licensed practice" in result.stderr
    assert json.loads(result.stdout)["modules"][0]["accepted"] is True


def test_nothing_is_erased_when_the_evidence_cannot_be_written(run, tmp_path):
    (tmp_path / "case").write_text("a file, not a folder", encoding="utf-8")
    result = run("clear", "--link", "sim://airbox-repair", "--yes", "--case", "case", code=FILE)
    assert "case" in sentence(result)


def recording(tmp_path: Path, url: str) -> tuple[subprocess.Popen[bytes], Path]:
    """Start ``record`` in another process and return once it has logged some exchanges."""
    path = tmp_path / "drive.session.jsonl"
    process = subprocess.Popen(
        [sys.executable, "-m", "obdlog", "record", "--link", url, "--out", str(path)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    deadline_s = time.monotonic() + 60
    while not (path.exists() and path.read_bytes().count(b'"poll"') > 20):
        assert time.monotonic() < deadline_s, "nothing was recorded in a minute"
        with suppress(subprocess.TimeoutExpired):
            pytest.fail(f"recording ended with {process.wait(timeout=0.05)}")
    return process, path


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_kill_in_mid_record_loses_no_completed_exchange(served_car, tmp_path):
    process, path = recording(tmp_path, served_car)
    process.kill()
    process.communicate()
    raw = path.read_bytes()
    complete = [json.loads(line) for line in raw[: raw.rindex(b"\n")].splitlines()]
    session = read_session(path)
    assert not session.complete
    assert len(session.exchanges) == sum(line["kind"] == "exchange" for line in complete)
    assert len(session.exchanges) > 20


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
@pytest.mark.parametrize("stop", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_closes_the_session_and_leaves_the_adapter_usable(run, served_car, tmp_path, stop):
    process, path = recording(tmp_path, served_car)
    process.send_signal(stop)
    _, stderr = process.communicate(timeout=30)
    assert process.returncode == INTERRUPTED
    assert b"Traceback" not in stderr
    assert read_session(path).complete
    run("codes", "--link", served_car)


def test_an_adapter_unplugged_in_mid_record_ends_with_the_links_code(tmp_path):
    from tests.cli.conftest import serve

    server, url = serve("healthy-petrol")
    process, path = recording(tmp_path, url)
    server.kill()
    server.communicate()
    _, stderr = process.communicate(timeout=60)
    assert process.returncode == LINK
    assert b"Traceback" not in stderr
    session = read_session(path)
    assert session.complete
    assert session.gaps


@pytest.mark.parametrize("moment", ["asking", "erasing", "ending"])
def test_ctrl_c_says_whether_the_erase_had_gone_out(run, monkeypatch, moment):
    def interrupt(*_, **__):
        raise KeyboardInterrupt

    place = {
        "asking": "obdlog.cli.commands.clear.input",
        "erasing": "obdlog.erase.sending._read_back",
        "ending": "obdlog.erase.sending._results",
    }[moment]
    monkeypatch.setattr(place, interrupt, raising=False)
    result = run("clear", "--link", "sim://airbox-repair", stdin="erase\n", code=INTERRUPTED)
    if moment == "asking":
        assert "nothing was erased" in result.stderr
    else:
        assert "may have been carried out" in result.stderr
        assert "nothing was erased" not in result.stderr
