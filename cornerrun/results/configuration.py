"""Configuration of devices as registers: fingerprint, and differences that name rail and register."""

import hashlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from cornerrun.bench.pmbus.commands import command_of_code
from cornerrun.bench.ports import RegisterValue
from cornerrun.plan.model import Plan

__all__ = ["Difference", "differences", "fingerprint", "register_name"]

_Key = tuple[str, int, int, int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """A register that holds something else than before; ``rail`` is empty where it belongs to the whole device.

    ``is_text`` tells settings of a supply, which are kept as text, from bytes of a register.
    """

    device: str
    rail: str
    register: str
    was: bytes | None
    now: bytes | None
    is_text: bool = False

    def __str__(self) -> str:
        where = f"{self.device}: " if not self.rail else ""
        return (
            f"{where}{self.register} was {_shown(self.was, self.is_text)} before the run and is "
            f"{_shown(self.now, self.is_text)} after it"
        )


def fingerprint(registers: Iterable[RegisterValue]) -> str:
    """Hash registers, whatever their order: SHA-256 of one line ``bus address page command data`` each, sorted."""
    lines = sorted(
        f"{value.bus} {value.address:02X} {'-' if value.page is None else f'{value.page:02X}'} {value.command:02X} "
        f"{value.data.hex()}"
        for value in registers
    )
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def differences(
    before: Iterable[RegisterValue],
    after: Iterable[RegisterValue],
    plan: Plan,
    *,
    but: Collection[str] = (),
) -> tuple[Difference, ...]:
    """Compare two readings of registers, leaving out those named in ``but``; in the order of the first."""
    was, now = _by_place(before), _by_place(after)
    supplies = {rail.output.supply for rail in plan.rails if rail.output is not None}
    found = []
    for key in dict.fromkeys((*was, *now)):
        if was.get(key) != now.get(key) and register_name(key[3]) not in but:
            device, rail = _owner(plan, *key[:3])
            found.append(
                Difference(
                    device=device,
                    rail=rail,
                    register=register_name(key[3]),
                    was=was.get(key),
                    now=now.get(key),
                    is_text=key[0] in supplies,
                )
            )
    return tuple(found)


def register_name(command: int) -> str:
    """Name a register by its command code."""
    known = command_of_code(command)
    return known.name if known else f"register 0x{command:02X}"


def _by_place(values: Iterable[RegisterValue]) -> Mapping[_Key, bytes]:
    return {
        (value.bus, value.address, -1 if value.page is None else value.page, value.command): value.data
        for value in values
    }


def _owner(plan: Plan, bus: str, address: int, page: int) -> tuple[str, str]:
    for rail in plan.rails:
        if rail.output is not None and (rail.output.supply, rail.output.number) == (bus, address):
            return rail.place, rail.name
    devices = [device.name for device in plan.devices.values() if (device.bus, device.address) == (bus, address)]
    name = devices[0] if devices else f"device 0x{address:02X} on {bus}"
    for rail in plan.rails:
        if rail.power is not None and rail.power.device == name and rail.power.page == page:
            return name, rail.name
    return (f"{name} page {page}" if page >= 0 else name), ""


def _shown(data: bytes | None, is_text: bool) -> str:
    if data is None:
        return "not there"
    if is_text:
        return data.decode("ascii", "replace")
    return f"0x{data[::-1].hex().upper()}" if len(data) <= 2 else data.hex(" ")
