"""Several writes in one transmission with one STOP, by whatever a link has for it."""

from collections.abc import Callable, Sequence
from typing import Any, cast

from cornerrun.bench.pmbus.formats import pec

__all__ = ["group_of"]

SendGroup = Callable[[Sequence[tuple[int, bytes]]], None]


def group_of(link: object) -> SendGroup | None:
    """Find what sends a group: the link's own ``group_write``, or smbus2's combined messages; None if neither."""
    own = getattr(link, "group_write", None)
    if callable(own):
        return cast(SendGroup, own)
    combined = getattr(link, "i2c_rdwr", None)
    return None if combined is None else lambda writes: _by_smbus2(link, writes)


def _by_smbus2(link: object, writes: Sequence[tuple[int, bytes]]) -> None:
    """Send by I2C_RDWR, which knows nothing of PEC: each device gets its own, worked out here."""
    from smbus2 import i2c_msg

    bus = cast(Any, link)  # Any: smbus2 and its look-alikes
    messages = [
        i2c_msg.write(address, data + bytes((pec((address << 1, *data)),)) if bus.pec else data)
        for address, data in writes
    ]
    bus.i2c_rdwr(*messages)
