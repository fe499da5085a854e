"""The two bytes of a trouble code and its text.

References
----------
SAE-J2012: two letter bits, two digit bits, three hexadecimal digits.
"""

from __future__ import annotations

import re
from typing import Final

_LETTERS: Final = "PCBU"
_PATTERN: Final = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


def code_text(raw: int) -> str:
    """Return the text of a 16-bit code, ``P0102`` for 0x0102.

    Raises
    ------
    ValueError
        The number does not fit in 16 bits.
    """
    if not 0 <= raw <= 0xFFFF:
        raise ValueError(f"{raw} is not a 16-bit code")
    return f"{_LETTERS[raw >> 14]}{raw >> 12 & 3}{raw & 0xFFF:03X}"


def code_number(text: str) -> int:
    """Return the 16-bit number of a code, 0x0102 for ``P0102``.

    Raises
    ------
    ValueError
        The text is not a letter P, C, B or U, a digit 0 to 3 and three hexadecimal digits.
    """
    wanted = text.strip().upper()
    if not _PATTERN.fullmatch(wanted):
        raise ValueError(f"{text!r} is not a trouble code such as P0102")
    return _LETTERS.index(wanted[0]) << 14 | int(wanted[1:], 16)
