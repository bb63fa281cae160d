"""What devices held when a run took a snapshot of them: for a plan that is changed while the bench is elsewhere."""

from collections.abc import Iterable, Mapping

from cornerrun.bench.pmbus.commands import command_of_code
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.bench.ports import RegisterValue
from cornerrun.errors import FormatError
from cornerrun.plan.model import Plan
from cornerrun.preflight.device_values import REGISTERS, BenchValues, DeviceValues, decode_values

__all__ = ["snapshot_values"]


def snapshot_values(
    plan: Plan, registers: Iterable[RegisterValue], profiles: Mapping[str, Profile], *, source: str
) -> BenchValues:
    """Decode the registers of a snapshot for the rails of a plan, found by bus, address and page.

    A device that is not in the snapshot, or cannot be understood, is told in ``trouble``.
    """
    words: dict[tuple[str, int, int | None], dict[str, int]] = {}
    for value in registers:
        command = command_of_code(value.command)
        if command is not None and command.name in REGISTERS:
            found = words.setdefault((value.bus, value.address, value.page), {})
            found[command.name] = int.from_bytes(value.data, "little")
    rails: dict[str, DeviceValues] = {}
    trouble: dict[str, str] = {}
    for rail in plan.rails:
        if rail.power is None:
            continue
        device = plan.devices[rail.power.device]
        held = words.get((device.bus, device.address, rail.power.page), {})
        profile = profiles.get(device.profile)
        if profile is None or not {"VOUT_MODE", "VOUT_COMMAND"} <= held.keys():
            trouble.setdefault(device.name, f"{source} does not have page {rail.power.page} of 0x{device.address:02X}")
            continue
        try:
            rails[rail.name] = decode_values(held, profile.page_format(rail.power.page, held["VOUT_MODE"]))
        except FormatError as error:
            trouble.setdefault(device.name, f"page {rail.power.page}: {error}")
    return BenchValues(rails=rails, trouble=trouble, source=source)
