"""Whole runs of the quickstart plan on a bus where one message in a hundred goes wrong, in every way that there is."""

import random
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from soak_pmbus import KINDS, RATE, FaultyLink

from cornerrun.bench import opening
from cornerrun.bench.bench import open_bench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.results.records import EndState
from cornerrun.results.store import Store
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"


@dataclass
class RunTally:
    """How runs ended; ``lies`` are ends that were not true of the board, ``mute`` runs cut short with no reason."""

    messages: int = 0
    runs: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    lies: list[str] = field(default_factory=list)
    mute: int = 0


def soak_runs(directory: Path, *, messages: int, seed: int, rate: float = RATE) -> RunTally:
    """Make runs until so many messages have passed, each on a bench of its own."""
    tally = RunTally()
    while tally.messages < messages:
        _one(directory, tally, seed + tally.runs, rate)
        tally.runs += 1
    return tally


def _one(directory: Path, tally: RunTally, seed: int, rate: float) -> None:
    plan = replace(load_plan(PLANS / "quickstart.yaml"), checks=())
    bench_file, clock = load_bench(PLANS / "quickstart_bench.yaml"), ManualClock()
    made: list[tuple[Any, FaultyLink]] = []
    real = opening.open_simulated_link

    def faulty(bus: Any, target: str, surroundings: Any, /) -> Any:
        link = FaultyLink(
            real(bus, target, surroundings), random.Random(seed), kinds=KINDS, rate=rate, gap="never", clock=clock
        )
        link.is_calm = True
        made.append((surroundings.simulation, link))
        return link

    opening.open_simulated_link = faulty
    try:
        bench = open_bench(plan, bench_file, clock, seed=seed)
    finally:
        opening.open_simulated_link = real
    ((simulation, link),) = made
    selection = select(plan)
    bench.power.connect()
    link.is_calm = False
    with Store.open(directory / f"runs_{seed}.db") as store:
        try:
            end = run_plan(
                plan, bench_file, bench, store, clock, None,
                guardian=UNGUARDED, steps=steps(plan, selection), selection=selection, serial="1", seed=seed,
            )  # fmt: skip
        except Exception as error:  # before anything was moved: refused, with its reason
            tally.ends[f"refused to start: {type(error).__name__}"] += 1
            tally.messages += bench.traffic()["messages"]
            return
    tally.messages += bench.traffic()["messages"]
    tally.ends[f"{end.result.value}, board {end.end_state.value}"] += 1
    tally.mute += not end.why
    clock.sleep_until(clock.now_s() + 1.0)
    for rail in plan.rails:
        truth_v = simulation.truth_v(rail.name, clock.now_s())
        is_home = abs(truth_v - rail.nominal_v) <= 0.01 * rail.nominal_v
        if end.end_state is EndState.NOMINAL and not is_home:
            tally.lies.append(f"seed {seed}: said nominal, {rail.name} has {truth_v:.4f} V")
        if end.end_state is EndState.OFF and rail.power is not None and truth_v > 0.5 * rail.nominal_v:
            tally.lies.append(f"seed {seed}: said off, {rail.name} has {truth_v:.4f} V")
