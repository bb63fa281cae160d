"""A board that a run has left at margin, on the simulated bench in this process, and the order of its guardian."""

import errno
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from cornerrun.bench.bench import open_bench
from cornerrun.bench.ports import Baseline, RestoreRecipe
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.run.guardian_arrivals import arrivals, delays
from cornerrun.run.guardian_order import Order

PLANS = Path(__file__).parents[2] / "plans"
HIGH = ("VDD_CORE", "VDD_SRAM", "VDDQ", "VDD_IO")


class TroubledLink:
    """Stands before a link; ``before`` is told each call and may raise, or return True to swallow it."""

    def __init__(self, link: Any, before: Callable[[str, tuple[Any, ...]], bool | None]) -> None:
        self._link = link
        self._before = before
        self.pec = getattr(link, "pec", 0)

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._link, name)

        def call(*arguments: Any) -> Any:
            return None if self._before(name, arguments) else found(*arguments)

        return call if callable(found) else found


class LostBoard:
    """The quickstart's board, its baseline taken, then moved."""

    def __init__(self, *, level: str = "high", rails: Sequence[str] = HIGH) -> None:
        self.clock = ManualClock()
        self.plan = load_plan(PLANS / "quickstart.yaml")
        self.bench_file = load_bench(PLANS / "quickstart_bench.yaml")
        self.bench = open_bench(self.plan, self.bench_file, self.clock, seed=3)
        self.bench.power.connect()
        self.baseline: Baseline = self.bench.safety.take_baseline()
        recipe = RestoreRecipe(
            bench_id=self.bench.identity,
            run_id="abc",
            serial="1",
            pid=1,
            links=self.bench.links,
            writes=self.bench.safety.recipe(self.baseline),
        )
        self.order = Order(
            recipe=recipe,
            plan=self.plan,
            bench_file=self.bench_file,
            store="",
            baseline=self.baseline,
            delays=delays(self.plan),
            arrivals=arrivals(self.plan, self.bench.power),
        )
        for rail in rails:
            self.bench.power.move([RailLevel(rail=rail, level=level)])
        self.pass_time(0.2)

    def pass_time(self, duration_s: float) -> None:
        self.clock.sleep_until(self.clock.now_s() + duration_s)

    def links(self, before: Callable[[str, tuple[Any, ...]], bool | None] = lambda *_: None) -> dict[str, Any]:
        board: Any = self.bench.board
        link = board.link("main", clock_hz=400e3)
        link.pec = 1
        return {"main": TroubledLink(link, before)}

    def truth_v(self, rail: str) -> float:
        self.pass_time(0.01)
        board: Any = self.bench.board
        return float(board.truth_v(rail, self.clock.now_s()))

    @property
    def is_at_nominal(self) -> bool:
        return all(
            abs(self.truth_v(rail.name) - rail.nominal_v) < 0.01 * rail.nominal_v for rail in self.plan.commanded_rails
        )

    @property
    def is_off(self) -> bool:
        return all(self.truth_v(rail.name) < 0.1 for rail in self.plan.rails if rail.power is not None)


def dead(*_: Any) -> None:
    raise OSError(errno.ENXIO, "no acknowledge")
