"""The simulated car's link, behind the same door as all others."""

from __future__ import annotations

import importlib
from typing import cast

from obdlog.links.base import Link
from obdlog.links.url import LinkUrl, bad_url

LATEST_START_S = 36_000


def open_sim(url: LinkUrl) -> Link:
    """Return the link to the simulated adapter and car that ``sim://SCENARIO`` names.

    Raises
    ------
    LinkOpenError
        There is no such scenario, personality or drive, or an option is malformed.
    """
    url.allow("seed", "personality", "pace", "drive", "cleared", "start_s")
    options: dict[str, object] = {
        "seed": url.whole_number("seed", 1, 0, 2**31 - 1),
        "pace": url.choice("pace", ("simulated", "real"), "simulated"),
        "cleared": url.choice("cleared", ("0", "1"), "0") == "1",
    }
    for name in ("personality", "drive"):
        if name in url.options:
            options[name] = url.options[name]
    if "start_s" in url.options:
        options["start_s"] = url.whole_number("start_s", 0, 0, LATEST_START_S)
    # By name, so that only who asks for the simulation pays for importing it.
    simulator = importlib.import_module("obdlog.simulator.link")
    try:
        link = simulator.SimLink(url.place.rstrip("/"), **options)
    except ValueError as error:
        raise bad_url(url.text, "sim", str(error)) from error
    link.url = url.text
    return cast("Link", link)
