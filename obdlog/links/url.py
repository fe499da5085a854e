"""Link URLs taken apart: one place that says what is wrong with one, and how it should look."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass
from urllib.parse import parse_qsl, unquote, urlsplit

from obdlog.errors import LinkOpenError, OpenFailure

LONGEST_URL = 2000
EXAMPLES = {
    "serial": "/dev/ttyUSB0, COM5 or serial:///dev/ttyUSB0?baud=115200",
    "socket": "socket://192.168.0.10:35000",
    "rfc2217": "rfc2217://192.168.0.10:2217?baud=38400",
    "ble": "ble://AA:BB:CC:DD:EE:FF",
    "can": "can://slcan//dev/ttyACM0?bitrate=500000",
    "sim": "sim://airbox-repair?seed=1",
    "replay": "replay:///path/to/drive.session.jsonl?pace=recorded",
}

_WINDOWS_PORT = re.compile(r"(?:\\\\\.\\)?COM[1-9]\d{0,2}", re.IGNORECASE)
_DEVICE_PATH = re.compile(r"/[^?\x00-\x1f]+")
_SESSION_SUFFIXES = (".jsonl", ".jsonl.gz", ".jsonl.zst")


@dataclass(frozen=True, slots=True)
class LinkUrl:
    """A link URL: `place` is what stands between scheme and query, not yet interpreted."""

    text: str
    scheme: str
    place: str
    options: dict[str, str]

    def host_and_port(self) -> tuple[str, int]:
        """Return host and TCP port of `place`.

        Raises
        ------
        LinkOpenError
            One of them is missing or the port is not 1 to 65535.
        """
        try:
            parts = urlsplit(f"//{self.place}")
            host, port = parts.hostname, parts.port
        except ValueError:
            raise bad_url(self.text, self.scheme, "its port is not 1 to 65535") from None
        if not host or not port:
            raise bad_url(self.text, self.scheme, "it needs a host and a port")
        if parts.path not in ("", "/") or parts.username is not None:
            raise bad_url(self.text, self.scheme, "it takes a host and a port and no more")
        return host, port

    def whole_number(self, name: str, default: int, low: int, high: int) -> int:
        """Return option `name` as a whole number from `low` to `high`.

        Raises
        ------
        LinkOpenError
            The text of the option is not such a number.
        """
        text = self.options.get(name)
        if text is None:
            return default
        if not (text.isascii() and text.isdigit() and len(text) < 12 and low <= int(text) <= high):
            raise bad_url(self.text, self.scheme, f"{name} must be a number from {low} to {high}")
        return int(text)

    def choice(self, name: str, choices: Collection[str], default: str) -> str:
        """Return option `name`, one of `choices`.

        Raises
        ------
        LinkOpenError
            The text of the option is none of them.
        """
        text = self.options.get(name, default)
        if text not in choices:
            raise bad_url(self.text, self.scheme, f"{name} must be {' or '.join(choices)}")
        return text

    def allow(self, *names: str) -> None:
        """Check that there is no other option.

        Raises
        ------
        LinkOpenError
            There is one, which would otherwise be ignored without a word.
        """
        for name in self.options:
            if name not in names:
                known = f"it takes {', '.join(names)}" if names else "it takes none"
                raise bad_url(self.text, self.scheme, f"it has no option {name!r}; {known}")


def bad_url(text: str, scheme: str, reason: str) -> LinkOpenError:
    """Return the error for a malformed link URL, with an example of a good one."""
    examples = EXAMPLES.get(scheme) or "; ".join(EXAMPLES.values())
    return LinkOpenError(
        f"{text[:200]!r} is not a usable link: {reason}",
        reason=OpenFailure.BAD_URL,
        hint=f"For example {examples}",
    )


def parse_url(text: str) -> LinkUrl:
    """Return the parts of a link URL; a bare port name or session path gets its scheme.

    Raises
    ------
    LinkOpenError
        The text is none of these; `reason` is BAD_URL.
    """
    if len(text) > LONGEST_URL or any(ord(c) < 32 or ord(c) == 127 for c in text):
        raise bad_url(text, "", "it is too long or has control characters")
    bare = text.strip()
    name, _, query = bare.partition("?")
    if name.endswith(_SESSION_SUFFIXES) and "://" not in name:
        return LinkUrl(text, "replay", name, _options(text, "replay", query))
    if _WINDOWS_PORT.fullmatch(name) or (_DEVICE_PATH.fullmatch(name) and "://" not in name):
        return LinkUrl(text, "serial", name, _options(text, "serial", query))
    scheme, separator, rest = bare.partition("://")
    scheme = scheme.lower()
    if not separator:
        raise bad_url(text, "", "it has no scheme and is no port name")
    place, _, query = rest.partition("?")
    if not place:
        raise bad_url(text, scheme, f"nothing follows {scheme}://")
    return LinkUrl(text, scheme, unquote(place), _options(text, scheme, query))


def _options(text: str, scheme: str, query: str) -> dict[str, str]:
    try:
        pairs = parse_qsl(
            query, keep_blank_values=True, strict_parsing=bool(query), max_num_fields=20
        )
    except ValueError:
        raise bad_url(text, scheme, "what follows ? must read name=value") from None
    options = dict(pairs)
    if len(options) != len(pairs):
        raise bad_url(text, scheme, "an option is given twice")
    return options
