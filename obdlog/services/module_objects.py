"""Replies of single modules as the part of the ``decode`` command's JSON object they fill.

Sessions (50), signs of life (7E), erases (54) and identification (62, 5A).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from obdlog.errors import DecodeError
from obdlog.modules import Language
from obdlog.services import identification, identifiers, sessions
from obdlog.services.asked import Asked, JsonObject, reading_object
from obdlog.services.data_objects import info_object, supported_object, test_object
from obdlog.services.older_codes import CLEAR
from obdlog.tables import signals
from obdlog.vin import check_vin

_ERASED = CLEAR + 0x40
_CURRENT_DATA = 0xF4
_UNCERTAIN = "how long each of several identifiers is, only the maker defines"


def _session(reply: bytes, _asked: Asked, result: JsonObject) -> None:
    found = sessions.parse_session(reply)
    result["info"] = {
        "session": f"{found.number:02X}",
        "name": found.name,
        "answer_within_ms": found.answer_within_ms,
        "answer_when_pending_within_ms": found.pending_within_ms,
    }


def _present(_reply: bytes, _asked: Asked, result: JsonObject) -> None:
    result["info"] = {"present": True}


def _erased(reply: bytes, asked: Asked, result: JsonObject) -> None:
    """Fill from a positive answer to an erase; only ISO 14230-3 says again which group it was."""
    echo = reply[1:]
    result["info"] = {"cleared": True} | ({"group": echo.hex().upper()} if echo else {})
    if asked.request[:1] != bytes([CLEAR]):
        return
    if asked.language(CLEAR) is Language.ISO_14229 and echo:
        result["error"] = "bytes follow that ISO 14229-1 does not have"
    elif asked.language(CLEAR) is Language.ISO_14230 and echo != asked.request[1:]:
        wanted = asked.request[1:].hex().upper()
        result["error"] = f"the reply does not name the group that was asked for ({wanted})"


def _identifiers(reply: bytes, asked: Asked, result: JsonObject) -> None:
    """Fill from a reply to one identifier or several, those of the request."""
    wanted = _wanted(asked.request)
    if len(wanted) < 2 or int.from_bytes(reply[1:3], "big") not in wanted:
        _identifier(reply, asked, result)
        return
    if all(name >> 8 == _CURRENT_DATA and signals.lengths(name & 0xFF) for name in wanted):
        _identifier(reply, asked, result, wanted)
        return
    parts = identifiers.split_requested(reply, wanted)
    found: list[JsonObject] = []
    problems: list[str] = []
    for part in parts.replies:
        one: JsonObject = {"error": None}
        try:
            _identifier(part, asked, one)
        except DecodeError as error:
            one |= {"error": str(error), "info": {"hex": part[3:].hex().upper()}}
        problems += [one["error"]] if one["error"] else []
        for key in ("readings", "tests"):
            if key in one:
                result[key] = [*result.get(key, ()), *one[key]]
        if "info" in one:
            found.append({"identifier": part[1:3].hex().upper()} | one["info"])
    if parts.rest:
        found.append({"hex": parts.rest.hex().upper()})
        problems.append(_UNCERTAIN)
    if found:
        result["info"] = found[0] if len(found) == 1 else {"identifiers": found}
    result["error"] = "; ".join(problems) or None


def _wanted(request: bytes) -> list[int]:
    """Return the identifiers that a request of service 22 asks for."""
    if request[:1] != b"\x22" or not len(request) % 2:
        return []
    return [int.from_bytes(request[n : n + 2], "big") for n in range(1, len(request), 2)]


def _identifier(
    reply: bytes, asked: Asked, result: JsonObject, wanted: Sequence[int] | None = None
) -> None:
    found = identifiers.parse_identifiers(reply, asked.context, wanted)
    result["error"] = found.problem or None
    if found.readings:
        result["readings"] = [reading_object(r) for r in found.readings]
    elif found.tests or (found.problem and found.info is None):
        result["tests"] = [test_object(test) for test in found.tests]
    elif found.supported is not None:
        result["info"] = {"identifier": found.identifier} | supported_object(found.supported)
    elif found.info is not None:
        result["info"] = info_object(found.info)
    else:
        result["info"] = _item(identification.parse_identification(reply))


def _older_identification(reply: bytes, _asked: Asked, result: JsonObject) -> None:
    item = identification.parse_identification(reply)
    result["info"] = _item(item)
    if item.key == "vin" and item.text:
        result["info"] |= {"vin": item.text, "vin_check": check_vin(item.text).check}


def _item(item: identification.Item) -> JsonObject:
    """Return name, text and bytes of one identification; the name where a standard has one."""
    named = {"name": item.label} if item.label else {}
    text = {"text": item.text} if item.label or item.text else {}
    return {"identifier": item.identifier} | named | text | {"hex": item.data.hex().upper()}


MODULE_DECODERS: dict[int, Callable[[bytes, Asked, JsonObject], None]] = {
    sessions.SESSION_REPLY: _session,
    sessions.PRESENT_REPLY: _present,
    _ERASED: _erased,
    identifiers.REPLY: _identifiers,
    identification.OLDER_REPLY: _older_identification,
}
"""What fills the object from each of these replies, by its first byte."""
