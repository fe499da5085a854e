"""Link URLs: what is understood, and what is refused with an example."""

from __future__ import annotations

import pytest

from obdlog.errors import LinkOpenError, OpenFailure
from obdlog.links.registry import open_link
from obdlog.links.url import parse_url


@pytest.mark.parametrize(
    ("text", "scheme", "place", "options"),
    [
        ("/dev/ttyUSB0", "serial", "/dev/ttyUSB0", {}),
        ("/dev/ttyUSB0?baud=9600", "serial", "/dev/ttyUSB0", {"baud": "9600"}),
        ("COM5", "serial", "COM5", {}),
        ("com12", "serial", "com12", {}),
        (r"\\.\COM10", "serial", r"\\.\COM10", {}),
        ("serial:///dev/ttyUSB0?baud=115200", "serial", "/dev/ttyUSB0", {"baud": "115200"}),
        ("serial://COM5", "serial", "COM5", {}),
        ("socket://192.168.0.10:35000", "socket", "192.168.0.10:35000", {}),
        ("RFC2217://host:2217", "rfc2217", "host:2217", {}),
        ("sim://car?seed=7&pace=real", "sim", "car", {"seed": "7", "pace": "real"}),
        ("replay://a%20b.session.jsonl", "replay", "a b.session.jsonl", {}),
        ("drives/a.session.jsonl", "replay", "drives/a.session.jsonl", {}),
        ("/abs/a.jsonl.gz?pace=fast", "replay", "/abs/a.jsonl.gz", {"pace": "fast"}),
        ("a.jsonl.zst", "replay", "a.jsonl.zst", {}),
        ("can://socketcan/can0?bitrate=500000", "can", "socketcan/can0", {"bitrate": "500000"}),
    ],
)  # fmt: skip
def test_a_url_is_taken_apart(text: str, scheme: str, place: str, options: dict[str, str]) -> None:
    url = parse_url(text)
    assert (url.scheme, url.place, url.options, url.text) == (scheme, place, options, text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "   ",
        "ttyUSB0",
        "adapter",
        "COM0",
        "socket://",
        "socket://host",
        "socket://host:0",
        "socket://host:99999",
        "socket://host:port",
        "socket://:35000",
        "socket://host:35000/more",
        "socket://user@host:35000",
        "socket://[::1:35000",
        "socket://host:35000?logging=debug",
        "rfc2217://host:2217?baud=fast",
        "rfc2217://host:2217?baud=1",
        "serial:///dev/ttyUSB0?baud=-1",
        "serial:///dev/ttyUSB0?baud=99999999999999999999",
        "serial:///dev/ttyUSB0?baud=9600&baud=38400",
        "serial:///dev/ttyUSB0?speed=9600",
        "serial://socket://host:1?baud=9600",
        "/dev/ttyUSB0?baud",
        "sim://healthy-petrol?seed=x",
        "sim://healthy-petrol?pace=slow",
        "sim://healthy-petrol?colour=blue",
        "sim://healthy-petrol?cleared=2",
        "sim://healthy-petrol?start_s=99999999",
        "http://host:80",
        "file:///dev/ttyUSB0",
        "socket://host:1\r\nATZ",
        "\x1b[2J",
        "x" * 3000,
    ],
)
def test_a_malformed_one_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(LinkOpenError) as caught:
        open_link(text)
    assert caught.value.reason is OpenFailure.BAD_URL
    assert "For example" in caught.value.hint
    assert caught.value.exit_code == 3
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        ("socket://adapter.local:35000", "adapter.local", 35000),
        ("socket://[::1]:35000/", "::1", 35000),
    ],
)
def test_host_and_port(text: str, host: str, port: int) -> None:
    assert parse_url(text).host_and_port() == (host, port)
