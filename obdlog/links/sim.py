"""The simulated car's link, behind the same door as all others."""

from __future__ import annotations

import importlib
from typing import cast

from obdlog.links.base import Link
from obdlog.links.url import LinkUrl


def open_sim(url: LinkUrl) -> Link:
    """Return the link to the simulated adapter and car that ``sim://SCENARIO`` names.

    Raises
    ------
    LinkOpenError
        There is no such scenario or personality, or an option is malformed.
    """
    url.allow("seed", "personality", "pace", "drive", "cleared", "start_s")
    seed = url.whole_number("seed", 1, 0, 2**31 - 1)
    real = url.choice("pace", ("simulated", "real"), "simulated") == "real"
    # By name, so that only who asks for the simulation pays for importing it.
    simulator = importlib.import_module("obdlog.simulator.link")
    link = simulator.SimLink(
        url.place.rstrip("/"),
        seed=seed,
        personality=url.options.get("personality"),
        realtime=real,
        drive=url.options.get("drive"),
        cleared=url.choice("cleared", ("0", "1"), "0") == "1",
        start_s=url.whole_number("start_s", 10, 0, 3600),
    )
    link.url = url.text
    return cast("Link", link)
