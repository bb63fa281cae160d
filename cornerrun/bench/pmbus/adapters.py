"""Linux I2C adapters by name or by sysfs path: the numbers of /dev/i2c-N change from boot to boot."""

import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path

from cornerrun.bench.pmbus.link import Link
from cornerrun.errors import LinkError

__all__ = ["adapter_names", "holder_of", "open_adapter"]

SYSFS = Path("/sys/class/i2c-dev")
CLIENTS = Path("/sys/bus/i2c/devices")


def adapter_names(root: Path = SYSFS) -> Mapping[int, str]:
    """List the adapters of this machine: number of /dev/i2c-N -> name; empty where there are none."""
    found = {}
    for path in sorted(root.glob("i2c-*")):
        match = re.fullmatch(r"i2c-(\d+)", path.name)
        name = _name(path)
        if match and name is not None:
            found[int(match[1])] = name
    return dict(sorted(found.items()))


def open_adapter(target: str, *, pec: bool, root: Path = SYSFS, open_bus: Callable[[int], Link] | None = None) -> Link:
    """Open an adapter by the name that sysfs shows, or by a path in sysfs.

    The path is its own, its controller's, or that of a multiplexer's channel
    (``/sys/bus/i2c/devices/1-0070/channel-3``). ``open_bus`` opens a bus by number; None takes smbus2.

    Raises:
        LinkError: there is no such adapter, more than one, or it can't be opened.

    """
    number = _number(target, root)
    try:
        link = (open_bus or _open_smbus2)(number)
        link.pec = int(pec)
    except OSError as error:
        raise LinkError(
            f"i2c:{target}: /dev/i2c-{number} can't be opened ({error.strerror or error}); load the module i2c-dev, "
            "and add yourself to the group that owns the device file",
            errno=error.errno,
        ) from error
    return link


def _number(target: str, root: Path) -> int:
    if target.startswith("/"):
        return _number_of_path(Path(target), target)
    names = adapter_names(root)
    numbers = [number for number, name in names.items() if name == target]
    if len(numbers) == 1:
        return numbers[0]
    if numbers:
        paths = ", ".join(str((root / f"i2c-{number}").resolve()) for number in numbers)
        raise LinkError(f"i2c:{target}: {len(numbers)} adapters have this name; write the path of one: {paths}")
    known = ", ".join(repr(name) for name in dict.fromkeys(names.values())) or "none: load the module i2c-dev"
    raise LinkError(f"i2c:{target}: no I2C adapter has this name; this machine has {known}")


def holder_of(link: object, address: int, clients: Path = CLIENTS) -> str:
    """Say which kernel driver holds an address and how to release it; empty if that can't be told.

    ``link`` is an smbus2 bus, whose device file tells the adapter's number (i2c-dev: the minor number).
    """
    fd = getattr(link, "fd", None)
    if not isinstance(fd, int):
        return ""
    try:
        number = _number_of_file(fd)
        driver = (clients / f"{number}-{address:04x}" / "driver").resolve(strict=True).name
    except OSError:
        return ""
    client = f"{number}-{address:04x}"
    return (
        f"the kernel driver {driver!r} holds the address; release it: echo {client} > "
        f"/sys/bus/i2c/drivers/{driver}/unbind (and `bind` gives it back)"
    )


def _number_of_file(fd: int) -> int:
    return os.minor(os.fstat(fd).st_rdev)


def _number_of_path(path: Path, target: str) -> int:
    number = _ending(path)
    if number is not None and path.exists():
        return number
    if not path.is_dir():
        raise LinkError(f"i2c:{target}: no adapter lies there; write a path in /sys that ends in i2c-N")
    # A channel of a multiplexer is a link to its adapter; a controller has its adapter as a child.
    number = _ending(path.resolve())
    if number is not None:
        return number
    children = {found for child in path.glob("i2c-*") if (found := _ending(child)) is not None}
    if len(children) == 1:
        return children.pop()
    channels = sorted(str(child) for child in path.glob("channel-*"))
    if channels:
        raise LinkError(f"i2c:{target}: this is a multiplexer; write the path of a channel: {', '.join(channels)}")
    what = f"{len(children)} adapters lie" if children else "no adapter lies"
    raise LinkError(f"i2c:{target}: {what} there; write a path in /sys that ends in i2c-N")


def _ending(path: Path) -> int | None:
    match = re.fullmatch(r"i2c-(\d+)", path.name)
    return None if match is None else int(match[1])


def _name(path: Path) -> str | None:
    try:
        return (path / "name").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return None


def _open_smbus2(number: int) -> Link:
    from smbus2 import SMBus

    return SMBus(number)
