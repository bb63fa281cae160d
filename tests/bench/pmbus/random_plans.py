"""Random plans, encodings and sequences of corners against an emulated device: does any write do what is forbidden?

The judge knows nothing of the guard: before each message that follows a change of a register, and at the end, it looks
at the voltages that the emulated outputs stand at, and holds them against the plan's hard limits and relations.
"""

import random
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.controller import PmbusPower
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import CornerrunError
from cornerrun.plan.bench_file import Bus
from cornerrun.plan.model import HardLimits, Relation

__all__ = ["Parts", "judged"]


@dataclass(frozen=True)
class Parts:
    """What makes an emulated device, a rail on one of its pages, and a plan of rails and relations."""

    make_emulator: Any
    rail: Any
    plan: Any


VOUT_TRIM = 0x22
LSB_V = 2.0**-12


def judged(seed: int, setup: Parts) -> tuple[list[str], int, int]:
    """Play one plan; return what was wrong, and how many moves were made and refused. ``setup`` makes the device."""
    rng = random.Random(seed)
    nominal_v = [round(rng.uniform(0.6, 5.0), 3) for _ in range(rng.randrange(2, 5))]
    emulator = setup.make_emulator(nominal_v, trim=rng.random() < 0.5)
    for page, volts in enumerate(nominal_v):
        if VOUT_TRIM in emulator.pages[page] and rng.random() < 0.3:
            emulator.pages[page][VOUT_TRIM] = rng.randrange(-8, 9) & 0xFFFF
        emulator.pages[page] |= {0x24: round(volts * rng.uniform(1.16, 1.6) / LSB_V)}
    rails = [_rail(rng, setup, page, volts) for page, volts in enumerate(nominal_v)]
    relations = tuple(_relation(rng, rails) for _ in range(rng.randrange(0, 3)))
    plan = setup.plan(tuple(rails), relations)
    guard = Guard(plan)
    power = PmbusPower(
        plan=plan,
        bus=Bus(name="main", link="emulated"),
        devices=tuple(plan.devices.values()),
        link=CountedLink(emulator, name="main"),
        profiles={"generic": PROFILE},
        guard=guard,
        clock=ManualClock(),
    )
    troubles: list[str] = []
    made = refused = 0
    is_moving = False
    looked_at: tuple[int, bool] | None = None

    def before(method: str, command: int) -> None:
        nonlocal looked_at
        if looked_at == (emulator.changes, is_moving):
            return
        looked_at = (emulator.changes, is_moving)
        # The way home is judged by hard limits only: whatever came before, it must be open.
        _look(
            plan, emulator, troubles, f"before {method} 0x{command:02X}", relations=plan.relations if is_moving else ()
        )

    emulator.before = before
    try:
        power.connect()
        baseline = power.take_baseline()
    except CornerrunError:
        return troubles, 0, 1
    for _ in range(rng.randrange(2, 6)):
        burst = [
            RailLevel(rail=rail.name, level=rng.choice(list(rail.levels)))
            for rail in rng.sample(rails, rng.randrange(1, len(rails) + 1))
        ]
        is_moving = True
        try:
            power.move(burst)
            made += 1
        except CornerrunError:
            refused += 1
            is_moving = False
            power.to_nominal()
        is_moving = False
        power.read([rail.name for rail in rails])
        if rng.random() < 0.3:
            power.to_nominal()
            power.read([rail.name for rail in rails])
    power.to_nominal()
    power.restore(baseline)
    emulator.before = lambda *_: None
    _look(plan, emulator, troubles, "at the end", plan.relations)
    return troubles, made, refused


PROFILE = load_profile("generic", Path())


def _rail(rng: random.Random, setup: Parts, page: int, volts: float) -> Any:
    rail = setup.rail(f"R{page}", volts, page)
    levels = {"nominal": volts}
    for name, sign in (("high", 1), ("low", -1), ("lower", -1), ("higher", 1)):
        levels[name] = volts * (1 + sign * rng.uniform(0.005, 0.14))
    limits = HardLimits(min_v=volts * (1 - rng.uniform(0.03, 0.15)), max_v=volts * (1 + rng.uniform(0.03, 0.15)))
    return replace(rail, levels=levels, hard_limits=limits, accuracy_ratio=rng.choice((0.0, 0.001, 0.005, 0.01)))


def _relation(rng: random.Random, rails: list[Any]) -> Relation:
    one, other = rng.sample(rails, 2)
    apart_v = one.nominal_v - other.nominal_v
    room_v = rng.uniform(0.02, 0.3)
    return Relation(rail=one.name, minus=other.name, min_v=apart_v - room_v, max_v=apart_v + rng.uniform(0.02, 0.3))


def _look(plan: Any, emulator: Any, troubles: list[str], when: str, relations: tuple[Relation, ...]) -> None:
    volts = {rail.name: emulator.output_v(page) for page, rail in enumerate(plan.rails)}
    for rail in plan.rails:
        low_v, high_v = rail.hard_limits.min_v, rail.hard_limits.max_v
        if not low_v <= volts[rail.name] <= high_v:
            troubles.append(f"{when}: {rail.name} at {volts[rail.name]:.5f} V, hard limits {low_v:.5f} to {high_v:.5f}")
    for relation in relations:
        apart_v, pair = volts[relation.rail] - volts[relation.minus], f"{relation.rail} - {relation.minus}"
        if relation.min_v is not None and apart_v < relation.min_v - 1e-12:
            troubles.append(f"{when}: {pair} is {apart_v:.5f} V, below {relation.min_v:.5f}")
        if relation.max_v is not None and apart_v > relation.max_v + 1e-12:
            troubles.append(f"{when}: {pair} is {apart_v:.5f} V, above {relation.max_v:.5f}")
