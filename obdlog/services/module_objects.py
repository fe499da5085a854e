"""Replies of single modules as the part of the ``decode`` command's JSON object they fill.

Sessions (50), signs of life (7E), erases (54) and identification (62, 5A).
"""

from __future__ import annotations

from collections.abc import Callable

from obdlog.modules import Language
from obdlog.services import identification, identifiers, sessions
from obdlog.services.asked import Asked, JsonObject, reading_object
from obdlog.services.data_objects import info_object, supported_object, test_object
from obdlog.services.older_codes import CLEAR
from obdlog.vin import check_vin

_ERASED = CLEAR + 0x40
_ONE_IDENTIFIER = 3


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


def _identifier(reply: bytes, asked: Asked, result: JsonObject) -> None:
    found = identifiers.parse_identifiers(reply, asked.context)
    result["error"] = found.problem or None
    if found.readings:
        result["readings"] = [reading_object(r) for r in found.readings]
    elif found.tests or (found.problem and found.info is None):
        result["tests"] = [test_object(test) for test in found.tests]
    elif found.supported is not None:
        result["info"] = {"identifier": found.identifier} | supported_object(found.supported)
    elif found.info is not None:
        result["info"] = info_object(found.info)
    elif asked.request[:1] == b"\x22" and len(asked.request) > _ONE_IDENTIFIER:
        result["info"] = {"identifier": found.identifier, "hex": found.data.hex().upper()}
        result["error"] = "how long each of several identifiers is, only the maker defines"
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
    identifiers.REPLY: _identifier,
    identification.OLDER_REPLY: _older_identification,
}
"""What fills the object from each of these replies, by its first byte."""
