"""Text that a module sends: padding stripped, nothing unprintable let through."""

from __future__ import annotations

_PADDING = "\x00\xff "


def printable(data: bytes) -> str:
    r"""Return `data` as text without padding at either end, other bytes as ``\xNN``.

    NUL bytes inside it separate fields (a module's acronym and its name) and are dropped.
    """
    text = data.decode("latin-1").strip(_PADDING).replace("\x00", "")
    return "".join(c if " " <= c <= "~" else f"\\x{ord(c):02X}" for c in text)


def is_text(data: bytes) -> bool:
    """Return whether `data` without padding is some printable ASCII and nothing else."""
    body = data.strip(b"\x00")
    return bool(body) and all(0x20 <= byte <= 0x7E for byte in body.replace(b"\x00", b""))
