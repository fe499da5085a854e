"""Keeps a socket of python-can's ``udp_multicast`` interface to its own channel."""

from __future__ import annotations

import contextlib
import os
import socket
import sys

_MULTICAST_ALL = 49
"""Linux's IP_MULTICAST_ALL: whether a socket hears groups that other programs joined (ip(7))."""


def keep_to_own_group(descriptor: int) -> None:
    """Let the socket `descriptor` hear the group only that it joined itself.

    All channels have one port, and on Linux a socket hears every group on its port that any
    program on the machine has joined: two cars would answer on one bus.
    """
    if sys.platform == "linux":
        with (
            contextlib.suppress(OSError),
            socket.socket(fileno=os.dup(descriptor)) as shared,
        ):
            shared.setsockopt(socket.IPPROTO_IP, _MULTICAST_ALL, 0)
