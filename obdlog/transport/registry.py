"""Opens the road to the car that a link URL names."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from obdlog.links.registry import LINKS, open_link
from obdlog.links.url import bad_url, parse_url
from obdlog.transport.base import Transport


def open_transport(
    url: str, *, protocol: str = "0", progress: Callable[[str], None] = lambda _: None
) -> Transport:
    """Return the road that `url` names, not yet connected.

    Parameters
    ----------
    protocol
        Number of the protocol an adapter is to use, ``0`` to let it search.
    progress
        Called with a few words where connecting takes long.

    Raises
    ------
    LinkOpenError
        The URL is malformed or of no known scheme, or the link cannot be opened.
    SessionFileError
        A recording to play back cannot be read.
    """
    parsed = parse_url(url)
    if parsed.scheme == "replay":
        from obdlog.transport.playback import PACES, PlaybackTransport

        parsed.allow("pace")
        pace = parsed.choice("pace", PACES, PACES[0])
        return cast("Transport", PlaybackTransport(parsed.place, pace=pace, url=url))
    if parsed.scheme == "can":
        from obdlog.transport.can_bus import CanTransport

        return CanTransport(parsed)
    if parsed.scheme not in LINKS:
        raise bad_url(
            url,
            "",
            f"{parsed.scheme!r} is none of the schemes {', '.join([*LINKS, 'can', 'replay'])}",
        )
    from obdlog.transport.adapter_link import AdapterTransport

    transport = AdapterTransport(open_link(parsed), protocol=protocol)
    transport.progress = progress
    return transport
