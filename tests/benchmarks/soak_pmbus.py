"""A soak of the PMBus driver at 1 % bus faults of every kind: `python tests/benchmarks/soak_pmbus.py [MESSAGES]`.

A simulated bench of two managers with four rails each is read and moved at random, while one message in a hundred goes
wrong in one of the ways listed in `KINDS`. Every accepted reading is compared with the true voltage, and after every
call the registers of all pages are compared with what was asked: a rail that was not asked to move must hold the words
that it held before.

The devices require a packet error code on writes. One that takes writes with and without can't be protected from a bit
that turns a byte command into a word command: the code then is taken for data.

Three soaks: plain PAGE, with second masters everywhere but in the one gap that plain messages cannot close (between
the verification of PAGE and the write itself); the same in that gap only, where each stray must be found; PAGE_PLUS,
with everything everywhere.
"""

import argparse
import errno
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.controller import PmbusPower
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.bench.pmbus.raw import RawLink
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, CornerrunError, GuardRefusal
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

RATE = 0.01
KINDS = (
    "address not acknowledged",
    "byte not acknowledged, nothing done",
    "byte not acknowledged, yet done",
    "arbitration lost",
    "time-out, nothing done",
    "time-out, yet done",
    "bus stuck",
    "one bit of the answer turned",
    "one bit of the message turned",
    "answer garbled, every bit at random",
    "answer all ones",
    "answer cut short",
    "answer of the message before",
    "write acknowledged and lost",
    "PAGE changed by a second master",
    "device reset",
)
_ERRORS = {
    "address not acknowledged": errno.ENXIO,
    "byte not acknowledged, nothing done": errno.EREMOTEIO,
    "byte not acknowledged, yet done": errno.EREMOTEIO,
    "arbitration lost": errno.EAGAIN,
    "time-out, nothing done": errno.ETIMEDOUT,
    "time-out, yet done": errno.ETIMEDOUT,
    "bus stuck": errno.EBUSY,
}
_HIDDEN = ("PAGE changed by a second master", "device reset")
_PAGE, _OPERATION, _HIGH, _LOW = 0x00, 0x01, 0x25, 0x26
NOMINAL_V = (0.75, 0.85, 0.95, 1.08, 1.2, 1.35, 1.5, 1.8)  # apart by more than every margin together
LEVELS = ("nominal", "high", "low", "low3")


@dataclass
class Tally:
    """What happened; a wrong reading or a write on another rail's page would stand here."""

    messages: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    readings: int = 0
    wrong_readings: int = 0
    moves: int = 0
    refused_moves: int = 0
    strays: int = 0
    strays_found: int = 0
    unsafe: int = 0
    trips: int = 0
    beyond_limits: int = 0
    retries: int = 0
    seconds: float = 0.0
    problems: list[str] = field(default_factory=list)

    def rows(self) -> list[tuple[str, str]]:
        return [
            ("bus messages", f"{self.messages:,}"),
            ("faults put in", f"{self.faults.total():,} of {len(self.faults)} kinds"),
            ("readings accepted", f"{self.readings:,}"),
            ("  of these wrong", str(self.wrong_readings)),
            ("bursts moved", f"{self.moves:,}, and {self.refused_moves} that ended in an error"),
            ("writes to another rail's page", f"{self.strays}, found {self.strays_found}"),
            ("rails left beyond hard limits", str(self.beyond_limits)),
            ("ways back that failed for good", str(self.unsafe)),
            ("times that a device protected itself", str(self.trips)),
            ("reads tried again", f"{self.retries:,}"),
            ("own and simulated code a message", f"{self.seconds / max(self.messages, 1) * 1e6:.1f} us"),
        ]


class FaultyLink(RawLink):
    """Stands before a simulated bus, and lets messages go wrong byte by byte; knows nothing of the driver."""

    def __init__(
        self, inner: Any, rng: random.Random, *, kinds: Sequence[str], rate: float, gap: str, clock: ManualClock
    ) -> None:
        super().__init__(pec=1)
        inner.pec = 0
        self._inner = inner
        self._managers = inner._bus.managers
        self._rng = rng
        self._kinds = tuple(kinds)
        self._rate = rate
        self._gap = gap
        self._clock = clock
        self._before = b""
        self.is_calm = False
        self.faults: Counter[str] = Counter()

    def close(self) -> None:
        return

    def _transfer(self, address: int, written: bytes, read_count: int, is_block: bool) -> bytes:
        kind = self._draw(written, read_count, is_block)
        if kind:
            self.faults[kind] += 1
        answer = self._spoiled(kind, address, written, read_count, is_block)
        if answer:
            self._before = answer
        return answer

    def _draw(self, written: bytes, read_count: int, is_block: bool) -> str:
        if self.is_calm or self._rng.random() >= self._rate:
            return ""
        kind = self._rng.choice(self._kinds)
        is_paged_write = not read_count and not is_block and bool(written) and written[0] != _PAGE
        if kind in _HIDDEN and {"never": is_paged_write, "only": not is_paged_write, "also": False}[self._gap]:
            return ""
        return kind

    def _spoiled(  # noqa: PLR0911 - one way out a kind
        self, kind: str, address: int, written: bytes, read_count: int, is_block: bool
    ) -> bytes:
        rng, manager = self._rng, self._managers[address]
        if kind in _ERRORS:
            if kind.endswith("yet done"):
                with suppress(OSError):
                    self._inner._transfer(address, written, read_count, is_block)
            raise OSError(_ERRORS[kind], kind)
        if kind == "PAGE changed by a second master":
            manager.write(_PAGE, bytes((rng.randrange(4),)), self._clock.now_s())
        elif kind == "device reset":
            manager.reset(self._clock.now_s())
        elif kind == "one bit of the message turned" and written:
            written = _turned(written, rng)
        elif kind == "write acknowledged and lost" and not read_count and not is_block:
            return b""
        answer: bytes = self._inner._transfer(address, written, read_count, is_block)
        if not answer:
            return answer
        if kind == "one bit of the answer turned":
            return _turned(answer, rng)
        if kind == "answer garbled, every bit at random":
            return bytes(rng.randrange(256) for _ in answer)
        if kind == "answer all ones":
            return b"\xff" * len(answer)
        if kind == "answer cut short":
            return answer[:-1]
        if kind == "answer of the message before" and len(self._before) == len(answer):
            return self._before
        return answer


def _turned(data: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(8 * len(data))
    return bytes(byte ^ (1 << place % 8 if index == place // 8 else 0) for index, byte in enumerate(data))


class Soak:
    """One soak on one bench; `run` goes on until so many messages have passed."""

    def __init__(
        self,
        directory: Path,
        *,
        seed: int,
        page_plus: bool,
        gap: str,
        kinds: Sequence[str] = KINDS,
        rate: float = RATE,
        keeps_limits: str = "",
    ) -> None:
        path = directory / f"soak_{seed}_{page_plus}_{gap}.yaml"
        path.write_text(_bench_text(page_plus))
        self._rng = random.Random(seed)
        self._clock = ManualClock()
        self._bench = SimulatedBench.load(path, self._clock, seed=seed)
        inner = self._bench.link("main", clock_hz=400e3)
        self._link = FaultyLink(inner, self._rng, kinds=kinds, rate=rate, gap=gap, clock=self._clock)
        self._counted = CountedLink(self._link, name="main")
        self._managers = inner._bus.managers
        self._plan = _plan()
        self._power = PmbusPower(
            plan=self._plan,
            bus=Bus(name="main", link="soak"),
            devices=tuple(self._plan.devices.values()),
            link=self._counted,
            profiles={
                "generic": replace(load_profile("generic", directory), page_plus=page_plus, keeps_limits=keeps_limits)
            },
            guard=Guard(self._plan),
            clock=self._clock,
        )
        self._names = [rail.name for rail in self._plan.rails]
        self._truth_v: dict[str, float] = {}
        self.tally = Tally(faults=self._link.faults)

    def run(self, messages: int) -> Tally:
        started_s = time.perf_counter()
        self._link.is_calm = True
        self._power.connect()
        self._wait(0.1)
        baseline = self._power.take_baseline()
        self._link.is_calm = False
        while self._counted.counts["messages"] < messages:
            self._move()
            self._wait(0.1)
            self._truth_v = {name: self._bench.truth_v(name, self._clock.now_s()) for name in self._names}
            for _ in range(self._rng.randrange(3, 15)):
                self._read()
                self._wait(0.02)
        self._home()
        self._link.is_calm = True
        self._power.restore(baseline)
        self._wait(0.1)
        for rail in self._plan.rails:
            if abs(self._bench.truth_v(rail.name, self._clock.now_s()) - rail.nominal_v) > 0.01 * rail.nominal_v:
                self.tally.unsafe += 1
        self.tally.messages = self._counted.counts["messages"]
        self.tally.retries = self._counted.counts["retries"]
        self.tally.seconds = time.perf_counter() - started_s
        return self.tally

    def _move(self) -> None:
        chosen = self._rng.sample(self._names, self._rng.randrange(1, len(self._names) + 1))
        burst = [RailLevel(rail=name, level=self._rng.choice(LEVELS)) for name in chosen]
        before = self._words()
        self.tally.moves += 1
        try:
            self._power.move(burst)
        except (BenchError, GuardRefusal) as error:
            self.tally.refused_moves += 1
            is_told = "under us" in str(error) or "reads back" in str(error)
            self._look_for_strays(before, set(chosen), is_told=is_told)
            self._home()
        else:
            self._look_for_strays(before, set(chosen), is_told=False)

    def _home(self) -> None:
        """Bring the board back as a run does: twice, then that is that."""
        for left in (1, 0):
            try:
                self._power.to_nominal()
            except CornerrunError as error:
                if "is off" in str(error):
                    self._turn_on()
                elif not left:
                    self.tally.unsafe += 1
                    self.tally.problems.append(str(error))
                    self._link.is_calm = True
                    self._power.to_nominal()
                    self._link.is_calm = False
            else:
                return

    def _turn_on(self) -> None:
        """Recover from a device's own protection, which met a word that had gone astray."""
        self.tally.trips += 1
        self._link.is_calm = True
        self._power.turn_off()
        self._wait(0.1)
        self._power.clear()
        self._power.turn_on(self._names)
        self._wait(0.1)
        self._power.to_nominal()
        self._link.is_calm = False

    def _read(self) -> None:
        try:
            readings = self._power.read(self._names)
        except BenchError:
            return
        for reading in readings:
            self.tally.readings += 1
            truth_v = self._bench.truth_v(reading.rail, reading.read_at_s)
            # A device that was reset takes its rail along: a conversion of that moment lies in between. Other rails are
            # further away than that.
            ends_v = (truth_v, self._truth_v.get(reading.rail, truth_v))
            if not min(ends_v) - 0.004 * truth_v <= reading.voltage_v <= max(ends_v) + 0.004 * truth_v:
                self.tally.wrong_readings += 1
                self.tally.problems.append(f"{reading.rail}: {reading.voltage_v} read, {ends_v} true")
            self._truth_v[reading.rail] = truth_v
        for rail in self._plan.rails:
            truth_v = self._bench.truth_v(rail.name, self._clock.now_s())
            if not rail.hard_limits.min_v <= truth_v <= rail.hard_limits.max_v:
                self.tally.beyond_limits += 1

    def _words(self) -> dict[str, tuple[int, int, int]]:
        return {
            rail.name: (page.octets[_OPERATION], page.words[_HIGH], page.words[_LOW])
            for rail in self._plan.rails
            if rail.power is not None
            for page in (self._managers[self._plan.devices[rail.power.device].address].pages[rail.power.page],)
        }

    def _look_for_strays(self, before: dict[str, tuple[int, int, int]], asked: set[str], *, is_told: bool) -> None:
        """Compare what rails hold that were not asked to move: only a reset, which reloads, may have changed it."""
        reloaded = {name: _stored(name) for name in self._names}
        for name, words in self._words().items():
            if name in asked or words == before[name]:
                continue
            if all(new in (old, kept) for new, old, kept in zip(words, before[name], reloaded[name], strict=True)):
                continue
            level_words = _level_words(name)
            # What goes into every margin register before the first move is the rail's own.
            if words[0] in (before[name][0], 0x80) and words[1] in (before[name][1], *level_words) and words[2] in (
                before[name][2], *level_words
            ):  # fmt: skip
                continue
            self.tally.strays += 1
            self.tally.strays_found += is_told
            self.tally.problems.append(f"{name} held {before[name]} and holds {words}, and was not asked")

    def _wait(self, duration_s: float) -> None:
        self._clock.sleep_until(self._clock.now_s() + duration_s)


def _nominal_v(name: str) -> float:
    return NOMINAL_V[int(name[1:])]


def _levels(nominal_v: float) -> dict[str, float]:
    return {"nominal": nominal_v, "high": nominal_v * 1.04, "low": nominal_v * 0.96, "low3": nominal_v * 0.97}


def _level_words(name: str) -> tuple[int, ...]:
    return tuple(round(volts * 4096) for volts in _levels(_nominal_v(name)).values())


def _stored(name: str) -> tuple[int, int, int]:
    # What the simulated manager's memory holds: on, margins of 5 %.
    nominal_v = _nominal_v(name)
    return (0x80, round(nominal_v * 1.05 * 4096), round(nominal_v * 0.95 * 4096))


def _plan() -> Plan:
    rails = tuple(
        Rail(
            name=f"R{index}",
            nominal_v=nominal_v,
            levels=_levels(nominal_v),
            hard_limits=HardLimits(min_v=nominal_v * 0.94, max_v=nominal_v * 1.06),
            accuracy_ratio=0.005,
            settle=Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=1.0),
            power=PageAddress(device=f"PM{index // 4 + 1}", page=index % 4),
        )
        for index, nominal_v in enumerate(NOMINAL_V)
    )
    devices = {f"PM{n}": Device(name=f"PM{n}", bus="main", address=0x40 + n, profile="generic") for n in (1, 2)}
    return Plan(
        title="soak",
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


def _bench_text(page_plus: bool) -> str:
    lines = ["format: 1", "managers:"]
    lines += [
        f"  PM{n}: {{bus: main, address: 0x{0x40 + n:02X}, page_plus: {str(page_plus).lower()}, pec: required}}"
        for n in (1, 2)
    ]
    lines.append("rails:")
    lines += [
        f"  - {{name: R{index}, nominal: {nominal_v} V, power: {{device: PM{index // 4 + 1}, page: {index % 4}}}, "
        f"time_constant: 4 ms, adc: {{noise: 0.1 mV}}}}"
        for index, nominal_v in enumerate(NOMINAL_V)
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("messages", nargs="?", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    sys.path.insert(0, str(Path(__file__).parent))
    from soak_runs import soak_runs

    soaks = (
        ("plain PAGE, second masters everywhere but in the gap", False, "never", KINDS, RATE),
        ("plain PAGE, a second master in every tenth gap", False, "only", _HIDDEN[:1], 0.1),
        ("PAGE_PLUS, everything everywhere", True, "also", KINDS, RATE),
    )
    is_sound = True
    with tempfile.TemporaryDirectory() as directory:
        for title, page_plus, gap, kinds, rate in soaks:
            soak = Soak(Path(directory), seed=options.seed, page_plus=page_plus, gap=gap, kinds=kinds, rate=rate)
            tally = soak.run(options.messages)
            print(title)
            for name, value in tally.rows():
                print(f"  {name:<36} {value}")
            for kind, count in sorted(tally.faults.items()):
                print(f"    {kind:<40} {count}")
            for problem in tally.problems[:10]:
                print(f"  ! {problem}")
            is_sound = is_sound and not (tally.wrong_readings or tally.beyond_limits or tally.unsafe)
            is_sound = is_sound and (not tally.strays if gap != "only" else tally.strays == tally.strays_found)
        runs = soak_runs(Path(directory), messages=options.messages, seed=options.seed)
    print(f"whole runs: {runs.runs}, {runs.messages:,} bus messages")
    for end, count in sorted(runs.ends.items()):
        print(f"  {end:<36} {count}")
    for lie in runs.lies:
        print(f"  ! {lie}")
    is_sound = is_sound and not runs.lies and not runs.mute
    sys.exit(0 if is_sound else 1)


if __name__ == "__main__":
    main()
