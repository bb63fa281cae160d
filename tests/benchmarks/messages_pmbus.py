"""Bus messages a visit for 8, 16 and 40 rails, against the least that the protocol allows.

`python tests/benchmarks/messages_pmbus.py`. A visit here: half of the rails move to a level that is programmed already,
every rail is read four times (three conversions that settle it, one sweep), and the rails come home.

The least: PAGE_PLUS needs one message to write and one to read; without, PAGE is turned once for each rail of a sweep,
and nothing is verified. To read a rail means STATUS_WORD and READ_VOUT. To move one means OPERATION, there and back.
What is above that is the price of safety: PAGE verified, margin word and trim read again, every write read back.
"""

import time
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.controller import PmbusPower
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.plan.bench_file import Bus
from cornerrun.plan.model import (
    Board,
    ControlPoints,
    CornerChoice,
    Criteria,
    Device,
    HardLimits,
    PageAddress,
    Plan,
    Policy,
    Rail,
    Settle,
)

PAGES = 8
SWEEPS = 4
VISITS = 50


@dataclass(frozen=True, kw_only=True)
class Counted:
    """What one visit took, on the average."""

    rails: int
    page_plus: bool
    reading: float
    moving: float
    own_us: float

    @property
    def least_reading(self) -> int:
        """STATUS_WORD and READ_VOUT, and PAGE where the message does not name it."""
        return SWEEPS * self.rails * (2 if self.page_plus else 3)

    @property
    def least_moving(self) -> int:
        """OPERATION there and back for half of the rails, and PAGE where the message does not name it."""
        return self.rails // 2 * 2 * (1 if self.page_plus else 2)


def count(rails: int, *, page_plus: bool, group: bool = True) -> Counted:
    """Make visits on a simulated bench and count."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "bench.yaml"
        path.write_text(_bench_text(rails, page_plus))
        clock = ManualClock()
        link = CountedLink(SimulatedBench.load(path, clock).link("main", clock_hz=400e3), name="main")
        link.pec = 1
        plan = _plan(rails)
        profile = replace(load_profile("generic", Path(folder)), page_plus=page_plus, group_command=group)
        power = PmbusPower(
            plan=plan,
            bus=Bus(name="main", link="simulated"),
            devices=tuple(plan.devices.values()),
            link=link,
            profiles={"generic": profile},
            guard=Guard(plan),
            clock=clock,
        )
        names = [rail.name for rail in plan.rails]
        moved = names[: rails // 2]
        power.connect()
        power.move([RailLevel(rail=name, level="high") for name in names])
        power.move([RailLevel(rail=name, level="nominal") for name in names])
        clock.sleep_until(clock.now_s() + 0.1)
        power.read(names)
        moving = reading = 0
        spent_s = 0.0
        for _ in range(VISITS):
            started_s, before = time.perf_counter(), link.counts["messages"]
            power.move([RailLevel(rail=name, level="high") for name in moved])
            middle = link.counts["messages"]
            for _ in range(SWEEPS):
                clock.sleep_until(clock.now_s() + 0.05)
                power.read(names)
            after = link.counts["messages"]
            power.move([RailLevel(rail=name, level="nominal") for name in moved])
            spent_s += time.perf_counter() - started_s
            moving += middle - before + link.counts["messages"] - after
            reading += after - middle
            clock.sleep_until(clock.now_s() + 0.1)
        messages = moving + reading
        return Counted(
            rails=rails,
            page_plus=page_plus,
            reading=reading / VISITS,
            moving=moving / VISITS,
            own_us=spent_s / messages * 1e6,
        )


def _plan(count: int) -> Plan:
    rails = tuple(
        Rail(
            name=f"R{index}",
            nominal_v=1.0,
            levels={"nominal": 1.0, "high": 1.05},
            hard_limits=HardLimits(min_v=0.9, max_v=1.1),
            accuracy_ratio=0.005,
            settle=Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=1.0),
            power=PageAddress(device=f"PM{index // PAGES + 1}", page=index % PAGES),
        )
        for index in range(count)
    )
    devices = {
        f"PM{n + 1}": Device(name=f"PM{n + 1}", bus="main", address=0x40 + n, profile="generic")
        for n in range(-(-count // PAGES))
    }
    return Plan(
        title="messages",
        board=Board(name="buoy logger", revision="A"),
        bench=None,
        devices=devices,
        rails=rails,
        groups={},
        relations=(),
        conditions=(),
        corners=CornerChoice(schemes=(), control_points=ControlPoints()),
        checks=(),
        criteria=Criteria(),
        policy=Policy(),
        sources=(),
        directory=Path(),
    )


def _bench_text(count: int, page_plus: bool) -> str:
    flag = str(page_plus).lower()
    lines = ["format: 1", "managers:"]
    lines += [
        f"  PM{n + 1}: {{bus: main, address: 0x{0x40 + n:02X}, page_plus: {flag}}}" for n in range(-(-count // PAGES))
    ]
    lines.append("rails:")
    lines += [
        f"  - {{name: R{i}, nominal: 1 V, power: {{device: PM{i // PAGES + 1}, page: {i % PAGES}}}, "
        "time_constant: 4 ms}"
        for i in range(count)
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the table."""
    print("rails  access      reading  least  ratio    moving  least  ratio  own and simulated code")
    for page_plus in (False, True):
        for rails in (8, 16, 40):
            found = count(rails, page_plus=page_plus)
            print(
                f"{rails:>5}  {'PAGE_PLUS' if page_plus else 'PAGE':<9}  {found.reading:>8.1f} "
                f"{found.least_reading:>6} "
                f"{found.reading / found.least_reading:>6.2f}  {found.moving:>8.1f} {found.least_moving:>6} "
                f"{found.moving / found.least_moving:>6.2f}  {found.own_us:.1f} us a message"
            )


if __name__ == "__main__":
    main()
