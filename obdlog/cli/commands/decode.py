"""``obdlog decode``."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, BinaryIO

import msgspec
import typer

from obdlog.cli import screen
from obdlog.errors import DecodeError, InputFileError
from obdlog.model import Bus

LONGEST_LINE = 1_000_000
_HEX = re.compile("[0-9A-Fa-f]+")
_BYTES = re.compile("[0-9A-Fa-f]{2,3}( [0-9A-Fa-f]{2})+")


def run(
    reply: Annotated[
        list[str] | None, typer.Argument(metavar="REPLY…", help="Raw replies, hex.")
    ] = None,
    request: Annotated[
        str | None, typer.Option("--request", metavar="HEX", help="The request they answer.")
    ] = None,
    bus: Annotated[
        Bus, typer.Option("--bus", help="can, or legacy for the older buses.")
    ] = Bus.CAN,
    context: Annotated[
        list[str] | None,
        typer.Option(
            "--context",
            metavar="HEX",
            help="An earlier reply of the same module with PID 4F, 50, 13 or 1D; repeat for more.",
        ),
    ] = None,
    batch: Annotated[
        str | None,
        typer.Option("--batch", metavar="FILE|-", help="One JSON object a line; - reads stdin."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print JSON, one object a line.")] = False,
) -> None:
    """Explain raw replies: a payload after reassembly, or adapter lines with their headers.

    Each REPLY is one payload (41 0C 1A F8, quoted or without spaces) or one line as an adapter
    prints it; lines of one answer belong together and are put together.
    """
    from obdlog.services.decode import decode_line

    if batch is not None:
        if reply or context:
            raise typer.BadParameter("give replies and their --context, or --batch, not both")
        for line in _lines(batch):
            screen.print_json(_decode_text(line))
        return
    if not reply:
        raise typer.BadParameter("give at least one reply, or --batch FILE")
    entries = _entries(reply, request, bus)
    if context:
        entries = [{**entry, "context": context} for entry in entries]
    results = [decode_line(entry) for entry in entries]
    parts = [part for result in results for part in _parts(result)]
    failed = [part for part in parts if part["error"] and not _holds_anything(part)]
    if len(failed) == len(parts) == 1 and not json:
        raise DecodeError(failed[0]["error"])
    for result in results:
        if json:
            screen.print_json(result)
        else:
            _show(result)
    if len(failed) == len(parts):
        raise DecodeError("nothing of this can be decoded")


def _parts(result: dict[str, Any]) -> list[dict[str, Any]]:
    """Return what each module said, of one that was alone the result itself."""
    return result.get("messages") or [result]


def _holds_anything(part: dict[str, Any]) -> bool:
    return any(part.get(name) for name in ("readings", "codes", "tests", "info", "refusal"))


def _entries(replies: list[str], request: str | None, bus: Bus) -> list[dict[str, Any]]:
    """Return one entry a payload; adapter lines with headers become one entry together.

    Bytes that a shell took apart at their spaces are put together again.
    """
    common: dict[str, Any] = {"bus": bus.value}
    if request is not None:
        common["request"] = request
    if len(replies) > 1 and _BYTES.fullmatch(" ".join(replies)):
        replies = [" ".join(replies)]
    payloads = [_is_payload(reply) for reply in replies]
    if any(payloads) and not any(
        map(_is_hex, (r for r, payload in zip(replies, payloads, strict=True) if not payload))
    ):
        return [{"reply": reply, **common} for reply in replies]
    if bus is Bus.CAN:
        del common["bus"]  # what the lines themselves show of their bus counts more than a default
    return [{"lines": replies, **common}]


def _is_hex(text: str) -> bool:
    return bool(_HEX.fullmatch("".join(text.split())))


def _is_payload(text: str) -> bool:
    """Whether `text` begins with a positive or negative response byte of a known service."""
    from obdlog.services.registry import SERVICES

    digits = "".join(text.split())
    try:
        first = bytes.fromhex(digits)[0]
    except (ValueError, IndexError):
        return False
    if digits.upper().startswith(("18DAF1", "486B", "416B")):
        return False
    return first == 0x7F or first - 0x40 in SERVICES


def _decode_text(line: str) -> dict[str, Any]:
    from obdlog.services.decode import decode_line

    if not line:
        return {**decode_line({}), "error": "the line is blank"}
    try:
        entry = msgspec.json.decode(line)
    except (msgspec.DecodeError, RecursionError) as error:
        return {**decode_line({}), "error": f"the line is not JSON: {error}"}
    return decode_line(entry)


def _lines(batch: str) -> Iterable[str]:
    if batch == "-":
        yield from _bounded(sys.stdin.buffer)
        return
    path = Path(batch)
    try:
        with path.open("rb") as file:
            yield from _bounded(file)
    except OSError as error:
        raise InputFileError(f"{path} cannot be read: {error.strerror}", path=path) from error


def _bounded(file: BinaryIO) -> Iterable[str]:
    """Yield each line, an over-long one cut off; blank ones only where more follows.

    A blank line in between gets its answer too, so that answers can be matched by position.
    """
    blank = 0
    start = "\ufeff"
    while line := file.readline(LONGEST_LINE):
        rest = line
        while not rest.endswith(b"\n") and (rest := file.readline(LONGEST_LINE)):
            pass
        text = line.decode("utf-8", "replace").removeprefix(start).strip()
        start = ""
        if not text:
            blank += 1
            continue
        yield from [""] * blank
        blank = 0
        yield text


def _show(result: dict[str, Any]) -> None:
    """Print what was decoded, and each error once."""
    parts = _parts(result)
    for part in parts:
        _show_message(part)
        if part["error"]:
            source = f"{part['source']}: " if len(parts) > 1 and part["source"] else ""
            screen.tell(screen.plain(source + part["error"]))
    if result["error"] and result["error"] not in [part["error"] for part in parts]:
        screen.tell(screen.plain(result["error"]))


def _show_message(result: dict[str, Any]) -> None:
    head = [f"Service {result.get('service')}"] if result.get("service") else []
    if result.get("source"):
        head.append(f"from {result['source']}")
    if head:
        screen.heading(screen.plain(" ".join(head)))
    if refusal := result.get("refusal"):
        screen.say(
            screen.plain(
                f"Refused: {refusal['meaning']} ({refusal['code']}) to service {refusal['service']}"
            )
        )
    if readings := result.get("readings"):
        screen.print_table(
            ("PID", "Signal", "Value", "Name"),
            (
                (r["pid"], r["label"], screen.value_text(r["value"], r["unit"]), r["signal"])
                for r in readings
            ),
        )
    if result.get("codes"):
        screen.print_table(
            ("Code", "Status", "Meaning"),
            (
                (
                    "-".join(filter(None, (c["code"], c["failure_type"]))),
                    c["status"],
                    ", ".join(filter(None, (c["meaning"], c["failure_meaning"]))),
                )
                for c in result["codes"]
            ),
        )
    elif "codes" in result and not result["error"]:
        screen.say("No codes.")
    if tests := result.get("tests"):
        screen.print_table(
            ("Monitor", "Test", "Value", "Low", "High", "Unit", "Result"),
            (
                (
                    _named(t["monitor_id"] or t.get("component"), t.get("monitor")),
                    _named(t["test_id"], t.get("test") or t.get("name")),
                    t["value"],
                    t["low"],
                    t["high"],
                    t["unit"],
                    t["result"],
                )
                for t in tests
            ),
        )
    if info := result.get("info"):
        screen.facts({key.replace("_", " "): _words(value) for key, value in info.items()})


def _words(value: object) -> str:
    """Return a value of the ``info`` object for people."""
    if isinstance(value, dict):
        return ", ".join(f"{name} {_words(held)}" for name, held in value.items())
    if isinstance(value, list):
        return ", ".join(map(_words, value))
    if isinstance(value, bool):
        return screen.yes_no(value)
    return "" if value is None else str(value)


def _named(identifier: str | None, name: str | None) -> str:
    return " ".join(filter(None, (identifier, name)))
