"""Wait for descriptors: by poll(2), since select(2) fails for descriptors from 1024 on."""

import math
import select
import socket
from collections.abc import Iterable

__all__ = ["readable"]


def readable(heard: Iterable[int | socket.socket], timeout_s: float) -> frozenset[int]:
    """Wait until one of the descriptors can be read, or is at its end; return those, empty after the time-out."""
    poll = select.poll()
    for one in heard:
        poll.register(one, select.POLLIN)
    # poll(2) counts in milliseconds: rounded up, or a wait for less would spin.
    return frozenset(fd for fd, _ in poll.poll(max(0, math.ceil(timeout_s * 1000))))
