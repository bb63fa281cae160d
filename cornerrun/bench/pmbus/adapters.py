"""Linux I2C adapters by name: their numbers may change at each boot."""

from pathlib import Path

from cornerrun.bench.pmbus.link import Link
from cornerrun.errors import LinkError

__all__ = ["open_adapter"]

# Source: Linux Documentation/i2c/dev-interface: "adapter numbers are assigned somewhat dynamically, so you can not
# assume much about them"; names stand in /sys/class/i2c-dev/i2c-*/name.
_CLASS = Path("/sys/class/i2c-dev")


def open_adapter(name: str, *, pec: bool, sys_class: Path = _CLASS) -> Link:
    """Open the one adapter that has a name.

    Raises:
        LinkError: no adapter, or more than one, has the name; or it cannot be opened: says what to do.

    """
    adapters = {path.parent.name: path.read_text(encoding="utf-8").strip() for path in sorted(sys_class.glob("*/name"))}
    found = [node for node, text in adapters.items() if text == name]
    if not found:
        known = ", ".join(sorted(repr(text) for text in adapters.values())) or "none: is the module i2c-dev loaded?"
        raise LinkError(f"no I2C adapter is called {name!r}; this machine has {known}")
    if len(found) > 1:
        raise LinkError(f"adapters {', '.join(found)} are all called {name!r}; unplug all but one")
    from smbus2 import SMBus

    try:
        link = SMBus(f"/dev/{found[0]}")
    except OSError as error:
        raise LinkError(
            f"/dev/{found[0]} ({name!r}) cannot be opened: {error.strerror}; join the group that owns it",
            errno=error.errno,
        ) from error
    link.pec = int(pec)
    return link
