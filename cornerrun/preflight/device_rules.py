"""What was read from devices against what the plan says of them, and what nobody says."""

from collections.abc import Iterator

from cornerrun.plan.model import Rail
from cornerrun.preflight.device_values import LIMITS
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.preflight.places import rail_subject
from cornerrun.units import Kind, show

__all__ = ["contradictions", "unchecked", "unread"]

_MOST_NAMES = 8  # chosen: a list of rails that a reader still takes in


def contradictions(facts: Facts) -> Iterator[Finding]:
    """Whether a device holds what the plan says: VOUT_MODE, nominal, limits. The device's own is reckoned with."""
    for found in facts.levels:
        rail, held = found.rail, found.values
        if held is None or rail.power is None:
            continue
        device = facts.plan.devices[rail.power.device]
        if device.vout_mode is not None and device.vout_mode != held.vout_mode:
            numbers = f"VOUT_MODE is 0x{held.vout_mode:02X} on page {rail.power.page}, and the plan says "
            numbers += f"0x{device.vout_mode:02X}"
            position = facts.position("devices", device.name, "vout_mode")
            yield Subject(rule="device values", rail=rail.name, position=position).error(
                numbers, "a run would refuse it: mend the plan, or the device's configuration"
            )
        nominal_v = held.command_v + held.trim_v
        step_v = found.page_format.step("VOUT_COMMAND", held.command_v) if found.page_format is not None else 0.0
        if rail.is_commanded and abs(nominal_v - rail.nominal_v) > rail.accuracy_ratio * rail.nominal_v + step_v:
            numbers = f"VOUT_COMMAND and VOUT_TRIM ask for {_volts(nominal_v)}, and nominal is {_volts(rail.nominal_v)}"
            yield rail_subject(facts, "device values", rail, "nominal").error(
                numbers, "a run would refuse to start: `cornerrun to-nominal`, or mend nominal"
            )
        step_v = max(step_v, 1e-9)
        for name, stated_v in rail.device_limits.items():
            held_v = held.limits_v.get(name)
            if held_v is not None and abs(held_v - stated_v) > step_v:
                numbers = f"{name} is {_volts(held_v)} in the device, and {_volts(stated_v)} in the plan"
                yield rail_subject(facts, "device values", rail, "device_limits", name).warning(
                    numbers, "the device's own was reckoned with: mend the plan, or the device's configuration"
                )
        for name in held.unset:
            numbers = f"{LIMITS[name]} reads zero, which no output could keep: taken as not set"
            yield rail_subject(facts, "device values", rail).warning(
                numbers, "see whether the device protects the rail"
            )


def unread(facts: Facts) -> Iterator[Finding]:
    """Say which devices, and which of their registers, could not be read."""
    for device, why in facts.values.trouble.items():
        numbers = f"{device} could not be read: {why}"
        subject = Subject(rule="not checked", position=facts.position("devices", device))
        yield subject.warning(numbers, "the plan's own limits were reckoned with, where it has any")
    for found in facts.levels:
        for register, why in (found.values.unread if found.values is not None else {}).items():
            subject = rail_subject(facts, "not checked", found.rail)
            yield subject.warning(f"{register}: {why}", "say in the device's profile how it is read")


def unchecked(facts: Facts) -> Iterator[Finding]:
    """Say what was not looked at, since neither a device nor the plan tells it."""
    moved = [found for found in facts.levels if found.rail.is_moved]
    made = [found for found in moved if found.rail.power is not None]
    lacks = {name: [f.rail for f in made if name not in f.limits_v("nominal")] for name in LIMITS}
    where = "read a bench (--bench), or write 'device_limits'" if not facts.values.rails else "write 'device_limits'"
    for rails, names in _alike(lacks):
        yield _note(
            facts, f"no {_or(names)} is known for {_listed(rails)}: margins against it were not looked at", where
        )
    known = {
        "ripple": [f.rail for f in moved if f.rail.supply.ripple_v is None],
        "overshoot": [f.rail for f in moved if f.rail.supply.overshoot_v is None],
        "comparator": [f.rail for f in made if f.rail.supply.comparator_ratio is None],
        "telemetry noise": [f.rail for f in made if f.rail.supply.telemetry_noise_v is None],
    }
    for rails, names in _alike(known):
        numbers = f"{_and(names)} of {_listed(rails)} {'is' if len(names) == 1 else 'are'} not told: counted as nothing"
        yield _note(facts, numbers, "write them at the rails, or in defaults: {rail: {...}}")
    open_questions = {
        "reach of the trim": [f.rail for f in made if f.rail.supply.trim.reach_v is None],
        "upstream headroom": [f.rail for f in made if f.rail.supply.upstream is None],
        "current and power": [f.rail for f in made if f.rail.supply.load.current_a is None],
    }
    for rails, names in _alike(open_questions):
        numbers = f"{_and(names)} of {_listed(rails)} {'was' if len(names) == 1 else 'were'} not looked at"
        yield _note(facts, numbers, "write 'trim', 'upstream' or 'load' at the rails where they matter")


def _alike(lacks: dict[str, list[Rail]]) -> Iterator[tuple[list[Rail], list[str]]]:
    """Put together what is lacking for the same rails."""
    groups: dict[tuple[str, ...], tuple[list[Rail], list[str]]] = {}
    for name, rails in lacks.items():
        if rails:
            groups.setdefault(tuple(rail.name for rail in rails), (rails, []))[1].append(name)
    yield from groups.values()


def _note(facts: Facts, numbers: str, advice: str) -> Finding:
    return Subject(rule="not checked", position=facts.position("rails")).note(numbers, advice)


def _listed(rails: list[Rail]) -> str:
    names = [rail.name for rail in rails]
    if len(names) <= _MOST_NAMES:
        return ", ".join(names)
    return f"{len(names)} rails ({', '.join(names[: _MOST_NAMES - 1])}, ...)"


def _or(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)
