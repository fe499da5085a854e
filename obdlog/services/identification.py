"""What a module says of itself: identifiers F1xx (service 22) and service 1A of the older language.

References
----------
ISO 14229-1, data identifiers F180–F19F; ISO 14230-3, service 1A (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from obdlog.modules import Language
from obdlog.services.layout import check_reply
from obdlog.services.text import is_text, printable

BY_IDENTIFIER, OLDER_IDENTIFICATION = 0x22, 0x1A
REPLY, OLDER_REPLY = 0x62, 0x5A


@dataclass(frozen=True, slots=True)
class Identification:
    """One thing that a module may say of itself: `key` in JSON, `label` on screen."""

    key: str
    label: str


_OF_BOTH = {
    0x90: Identification("vin", "vehicle identification number"),
    0x91: Identification("hardware_number", "maker's hardware number"),
    0x92: Identification("supplier_hardware_number", "supplier's hardware number"),
    0x93: Identification("supplier_hardware_version", "supplier's hardware version"),
    0x94: Identification("supplier_software_number", "supplier's software number"),
    0x95: Identification("supplier_software_version", "supplier's software version"),
    0x96: Identification("approval_number", "exhaust regulation or type approval number"),
    0x97: Identification("system_name", "system name or engine type"),
    0x98: Identification("shop_code", "code of the workshop or tester that last wrote to it"),
    0x99: Identification("programmed", "date of programming"),
}
"""Options of service 1A that came again in ISO 14229-1, with F1 before them."""

IDENTIFIERS = {
    0xF180: Identification("boot_software", "boot software identification"),
    0xF181: Identification("application_software", "application software identification"),
    0xF182: Identification("application_data", "application data identification"),
    0xF186: Identification("active_session", "active diagnostic session"),
    0xF187: Identification("part_number", "maker's part number"),
    0xF188: Identification("software_number", "maker's software number"),
    0xF189: Identification("software_version", "maker's software version"),
    0xF18A: Identification("supplier", "supplier"),
    0xF18B: Identification("manufactured", "date of manufacture"),
    0xF18C: Identification("serial_number", "serial number"),
    **{0xF100 | option: named for option, named in _OF_BOTH.items()},
    0xF19D: Identification("installed", "date of installation"),
    0xF19E: Identification("description_file", "name of its description file"),
}
"""Identifiers of service 22 that ISO 14229-1 names."""

OLDER_IDENTIFIERS = {0x80: Identification("table", "identification table"), **_OF_BOTH}
"""Identification options of service 1A that ISO 14230-3 names (from memory)."""

USUAL = (0xF190, 0xF187, 0xF188, 0xF189, 0xF18A, 0xF18C, 0xF191, 0xF195, 0xF197)
OLDER_USUAL = (0x90, 0x91, 0x92, 0x94, 0x95, 0x97)
"""What is worth asking of a module that nothing is known of, the most telling first."""


def build_identifiers(*identifiers: int) -> bytes:
    """Return the service 22 request for one identifier or several.

    Raises
    ------
    ValueError
        None, or one outside two bytes.
    """
    if not identifiers or not all(0 <= number <= 0xFFFF for number in identifiers):
        raise ValueError("a request names at least one identifier within 0000 and FFFF")
    pairs = b"".join(number.to_bytes(2, "big") for number in identifiers)
    return bytes([BY_IDENTIFIER]) + pairs


def build_older_identification(option: int) -> bytes:
    """Return the service 1A request for one identification option of ISO 14230-3.

    Raises
    ------
    ValueError
        It does not fit one byte.
    """
    if not 0 <= option <= 0xFF:
        raise ValueError(f"an identification option must be within 00 and FF, not {option}")
    return bytes([OLDER_IDENTIFICATION, option])


def identification_requests(language: Language) -> tuple[bytes, ...]:
    """Return the requests that ask a module of `language` who it is, one item each."""
    if language is Language.ISO_14230:
        return tuple(build_older_identification(option) for option in OLDER_USUAL)
    return tuple(build_identifiers(number) for number in USUAL)


@dataclass(frozen=True, slots=True)
class Item:
    """What a module said under one identifier.

    `key` and `label` are "" where no standard names the identifier. `text` is
    None where the bytes are no printable text: then only `data` stands for them.
    """

    identifier: str
    key: str
    label: str
    text: str | None
    data: bytes

    @property
    def shown(self) -> str:
        """The text, else the bytes in hexadecimal."""
        return self.text if self.text is not None else self.data.hex().upper()


def parse_identification(payload: bytes) -> Item:
    """Return what a reply of service 22 or 1A says under its one identifier.

    Raises
    ------
    DecodeError
        Not such a reply, or cut short.
    """
    older = payload[:1] == bytes([OLDER_REPLY])
    size = 1 if older else 2
    check_reply(payload, OLDER_REPLY if older else REPLY, least=1 + size)
    number = int.from_bytes(payload[1 : 1 + size], "big")
    known = (OLDER_IDENTIFIERS if older else IDENTIFIERS).get(number)
    data = payload[1 + size :]
    return Item(
        f"{number:0{size * 2}X}",
        known.key if known else "",
        known.label if known else "",
        text_of(data),
        data,
    )


def text_of(data: bytes) -> str | None:
    """Return `data` as text, without padding; None unless all of it is printable."""
    body = data.strip(b"\x00\xff ")
    return printable(body) if body and is_text(body) else None
