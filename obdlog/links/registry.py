"""URL scheme → the module and function that opens such a link, imported only when asked for."""

from __future__ import annotations

import importlib
from typing import cast

from obdlog.links.base import Link
from obdlog.links.url import LinkUrl, bad_url, parse_url

LINKS = {
    "serial": ("obdlog.links.serial_port", "open_serial"),
    "socket": ("obdlog.links.tcp", "open_socket"),
    "rfc2217": ("obdlog.links.tcp", "open_rfc2217"),
    "ble": ("obdlog.links.bluetooth_le", "open_ble"),
    "sim": ("obdlog.links.sim", "open_sim"),
}


def open_link(url: str | LinkUrl) -> Link:
    """Return the open link that `url` names.

    Raises
    ------
    LinkOpenError
        The URL is malformed or its scheme unknown, or the link cannot be opened; `reason` and
        `hint` say more.
    """
    parsed = parse_url(url) if isinstance(url, str) else url
    entry = LINKS.get(parsed.scheme)
    if entry is None:
        raise bad_url(
            parsed.text,
            "",
            f"{parsed.scheme!r} is none of the schemes {', '.join(LINKS)}",
        )
    module, function = entry
    return cast("Link", getattr(importlib.import_module(module), function)(parsed))
