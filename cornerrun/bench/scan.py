"""Look at a bench that no plan knows yet: what answers on its buses, and what its meter reads on each channel."""

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from cornerrun.bench.bench import simulation_of
from cornerrun.bench.pmbus.discover import DEFAULT_ADDRESSES, FoundDevice, look_at
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.profile import Profile, load_profile
from cornerrun.bench.registry import Surroundings, link_driver, meter_driver
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, CornerrunError, LinkError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import (
    Board,
    ControlPoints,
    CornerChoice,
    Criteria,
    HardLimits,
    Plan,
    Policy,
    Rail,
    Settle,
)

__all__ = ["Scan", "plan_of_channels", "scan"]

_MOST_FAILED = 3  # chosen: that many in a row are a matter of the bus, not of devices


@dataclass(frozen=True, kw_only=True)
class Scan:
    """What was found: devices by bus and address, the voltage of each channel by its rail's name, and what failed."""

    devices: tuple[FoundDevice, ...]
    channels_v: Mapping[str, float]
    profile: Profile
    troubles: tuple[str, ...]


def scan(
    bench_file: BenchFile,
    clock: Clock,
    *,
    addresses: Mapping[str, Sequence[int]] | None = None,
    profile_name: str = "generic",
) -> Scan:
    """Look at addresses of each bus; without any, at those of the bench file, else at all that may be looked at.

    Nothing is written but PAGE, which ends as found. What fails on one bus is said, and the others are looked at.

    Raises:
        PlanError: the bench file names what is not there.

    """
    profile = load_profile(profile_name, bench_file.directory)
    found: list[FoundDevice] = []
    troubles: list[str] = []
    with ExitStack() as opened:
        surroundings = Surroundings(
            plan=plan_of_channels(bench_file, 1.0),
            bench_file=bench_file,
            clock=clock,
            simulation=simulation_of(bench_file, clock),
        )
        for name, bus in bench_file.buses.items():
            chosen = (addresses or {}).get(name, ()) if addresses is not None else bus.addresses or DEFAULT_ADDRESSES
            try:
                build, target = link_driver(bus.link)
                raw = build(bus, target, surroundings)
                opened.callback(raw.close)
                link = CountedLink(raw, name=name, budget_ratio=1.0)
            except LinkError as error:
                troubles.append(str(error))
                continue
            look = partial(look_at, link, name, profile=profile, clock=clock)
            found += _look(look, name, chosen, troubles)
        highest_v = max((page.asked_v or 0.0 for device in found for page in device.rails), default=0.0)
        channels_v = _channels(surroundings, highest_v, troubles, opened)
    return Scan(devices=tuple(found), channels_v=channels_v, profile=profile, troubles=tuple(troubles))


def _look(
    look: Callable[[int], FoundDevice | None], bus: str, addresses: Sequence[int], troubles: list[str]
) -> list[FoundDevice]:
    """Look at addresses one by one; trouble at one, such as a kernel driver that holds it, does not hide the others."""
    found, failed = [], 0
    for address in addresses:
        try:
            device = look(address)
        except BenchError as error:
            troubles.append(str(error))
            failed += 1
            if failed == _MOST_FAILED:
                troubles.append(f"bus {bus}: {failed} addresses in a row failed; the rest of it was not looked at")
                break
            continue
        failed = 0
        if device is not None:
            found.append(device)
            troubles += device.troubles
    return found


def _channels(
    surroundings: Surroundings, highest_v: float, troubles: list[str], opened: ExitStack
) -> Mapping[str, float]:
    """Read every channel of the meter once, in one range that holds them all."""
    bench_file = surroundings.bench_file
    if bench_file.meter is None or not bench_file.channels or not highest_v:
        return {}
    try:
        plan = plan_of_channels(bench_file, highest_v)
        meter = meter_driver(bench_file.meter.driver)(bench_file.meter, dataclasses.replace(surroundings, plan=plan))
        opened.callback(meter.close)
        meter.identify()
        surroundings.clock.sleep_until(meter.start(meter.rails), interruptible=False)
        return {reading.rail: reading.reading_v for reading in meter.fetch()}
    except CornerrunError as error:
        troubles.append(str(error))
        return {}


def plan_of_channels(bench_file: BenchFile, nominal_v: float) -> Plan:
    """Make the plan that drivers want to see: one rail a channel, or the one that a probe is on, never moved."""
    probed = (bench_file.meter.settings.get("rail", "the probe"),) if bench_file.meter is not None else ()
    rails = tuple(
        Rail(
            name=name,
            nominal_v=nominal_v,
            levels={"nominal": nominal_v},
            hard_limits=HardLimits(min_v=0.0, max_v=2 * nominal_v),
            accuracy_ratio=0.01,
            settle=Settle(band_ratio=0.01, stable_for_s=0.1, timeout_s=1.0),
        )
        for name in (bench_file.channels or probed)
    )
    return Plan(
        title="what is there",
        board=Board(name="unknown", revision="unknown"),
        bench=None,
        devices={},
        rails=rails,
        groups={},
        relations=(),
        conditions=(),
        corners=CornerChoice(schemes=(), control_points=ControlPoints()),
        checks=(),
        criteria=Criteria(),
        policy=Policy(),
        sources=(),
        directory=Path(bench_file.directory),
    )
