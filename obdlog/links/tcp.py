"""Adapters on the network: plain TCP, and serial ports served by RFC 2217."""

from __future__ import annotations

from obdlog.links.port import SLICE_S, WRITE_TIMEOUT_S, PortLink, open_port
from obdlog.links.url import LinkUrl


def open_socket(url: LinkUrl) -> PortLink:
    """Return the TCP connection that ``socket://host:port`` names.

    Raises
    ------
    LinkOpenError
        The URL is malformed, the host unknown or unreachable, or the connection refused.
    """
    url.allow()
    host, port_number = url.host_and_port()
    port = open_port(
        url.text,
        f"socket://{_bracketed(host)}:{port_number}",
        timeout=0,
        write_timeout=WRITE_TIMEOUT_S,
    )
    return PortLink(url.text, port, selectable=True)


def open_rfc2217(url: LinkUrl) -> PortLink:
    """Return the remote serial port that ``rfc2217://host:port`` names.

    Raises
    ------
    LinkOpenError
        As `open_socket`, and when the far side does not speak RFC 2217.
    """
    url.allow("baud")
    host, port_number = url.host_and_port()
    port = open_port(
        url.text,
        f"rfc2217://{_bracketed(host)}:{port_number}",
        baudrate=url.whole_number("baud", 38400, 300, 4_000_000),
        timeout=SLICE_S,
    )
    return PortLink(url.text, port, selectable=False)


def _bracketed(host: str) -> str:
    """Return `host` as a URL needs it: an IPv6 address in brackets."""
    return f"[{host}]" if ":" in host else host
