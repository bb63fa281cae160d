"""Conditions on paper: each takes the time that plan and bench file tell of it."""

from collections.abc import Callable, Mapping

from cornerrun.bench.abilities import LimitsRamp
from cornerrun.bench.condition_settings import condition_settings
from cornerrun.bench.ports import Condition
from cornerrun.bench.soaked import soaked
from cornerrun.clock import Clock
from cornerrun.errors import PlanError
from cornerrun.plan import model
from cornerrun.plan.bench_file import SIMULATED, BenchFile, ConditionDriver
from cornerrun.preflight.paper.letters import Letter, Letters

__all__ = ["PaperCondition", "ToldCondition", "is_timed", "paper_conditions"]


class PaperCondition:
    """A Condition that moves by ``per_s`` units a second, or takes ``takes_s``, and then holds for ``hold_s``.

    With neither it is there at once. It is found at ``found``; None: where it is first sent to.
    """

    def __init__(
        self, clock: Clock, *, found: float | None, per_s: float | None, takes_s: float | None, hold_s: float
    ) -> None:
        self._clock = clock
        self._per_s = per_s
        self._takes_s = takes_s
        self._hold_s = hold_s
        self._target = found
        self._came_from = found or 0.0
        self._began_s = self._arrives_s = clock.now_s()
        self._settles_s = clock.now_s()

    def limit_ramp(self, per_s: float) -> bool:
        """Move no faster than this."""
        self._per_s = per_s if self._per_s is None else min(per_s, self._per_s)
        return True

    def start(self, target: float) -> None:
        now_s = self._clock.now_s()
        came_from = target if self._target is None else self.read()
        moved_s = 0.0 if self._per_s is None else abs(target - came_from) / self._per_s
        least_s = self._takes_s or 0.0 if came_from != target else 0.0
        self._came_from, self._target, self._began_s = came_from, target, now_s
        self._arrives_s = now_s + moved_s
        self._settles_s = now_s + max(moved_s + self._hold_s, least_s)

    def read(self) -> float:
        if self._target is None:
            return self._came_from
        now_s = self._clock.now_s()
        if now_s >= self._arrives_s:
            return self._target
        share = (now_s - self._began_s) / (self._arrives_s - self._began_s)
        return self._came_from + share * (self._target - self._came_from)

    def has_settled(self) -> bool:
        return self._clock.now_s() >= self._settles_s

    def release(self) -> None:
        return


class ToldCondition:
    """A Condition whose targets are told as messages."""

    def __init__(self, name: str, condition: Condition, clock: Clock, letters: Letters) -> None:
        self._name, self._condition, self._clock, self._letters = name, condition, clock, letters

    def start(self, target: float) -> None:
        self._say(f"go to {target:g}")
        self._condition.start(target)

    def limit_ramp(self, per_s: float) -> bool:
        """Pass it on to what sets the condition."""
        if not isinstance(self._condition, LimitsRamp) or not self._condition.limit_ramp(per_s):
            return False
        self._say(f"change by {per_s * 60:.4g} a minute at most")
        return True

    def read(self) -> float:
        return self._condition.read()

    def has_settled(self) -> bool:
        return self._condition.has_settled()

    def release(self) -> None:
        self._say("let go")
        self._condition.release()

    def _say(self, what: str) -> None:
        self._letters.add(Letter(at_s=self._clock.now_s(), to=self._name, kind="condition", what=what))


def is_timed(condition: model.Condition, driver: ConditionDriver) -> bool:
    """Whether somebody tells how long a change takes."""
    has_ramp = condition.ramp_per_s is not None or "ramp" in driver.settings
    return driver.driver == SIMULATED or has_ramp or condition.takes_s is not None


def paper_conditions(
    plan: model.Plan, bench_file: BenchFile, clock: Clock, look: Callable[[str], object]
) -> Mapping[str, Condition]:
    """Build the conditions of a plan; those of a simulated bench move as they do there.

    ``look`` takes the time of reading a rail whose device senses the temperature.
    """
    return {one.name: _paper_condition(one, plan, bench_file, clock, look) for one in plan.conditions}


def _paper_condition(
    condition: model.Condition, plan: model.Plan, bench_file: BenchFile, clock: Clock, look: Callable[[str], object]
) -> Condition:
    driver = bench_file.conditions[condition.name]
    if driver.driver == SIMULATED and bench_file.simulation is not None:
        from cornerrun.bench.simulated.bench import SimulatedBench

        made = SimulatedBench.load(bench_file.simulation, clock).condition(condition.name)
        until = driver.soak
        if until is None:
            return made

        def sense() -> float:
            if until.sensor != "instrument":
                look(until.sensor)
            return made.read()

        return soaked(made, name=condition.name, until=until, sense=sense, clock=clock)
    found, per_s = condition.rest, None
    try:
        settings, _ = condition_settings(driver, plan, bench_file)
    except PlanError:
        pass  # whoever has no instrument has no settings to read either; what is wrong is a finding of its own
    else:
        found = settings.rest if found is None else found
        per_s = None if settings.ramp_per_min is None else settings.ramp_per_min / 60
    hold_s = max(driver.stable_for_s or 0.0, driver.soak.time_s if driver.soak is not None else 0.0)
    return PaperCondition(clock, found=found, per_s=per_s, takes_s=condition.takes_s, hold_s=hold_s)
