"""The nouns of a plan's checks and criteria; `cornerrun.plan.model` hands them out."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from cornerrun.plan.condition_nouns import strictest

__all__ = ["AcceptAt", "Acceptance", "At", "Check", "CheckCriterion", "Criteria", "Demonstrate", "Screen"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Acceptance:
    """The limits of a named number that a check returns; both inclusive, None is open."""

    min: float | None = None
    max: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class AcceptAt:
    """The limits of named numbers while a condition is at a level; they replace those that hold elsewhere."""

    condition: str
    level: str
    accept: Mapping[str, Acceptance]


@dataclass(frozen=True, kw_only=True, slots=True)
class At:
    """Where a check runs: names or shell patterns of corners, levels of conditions; None means everywhere."""

    corners: tuple[str, ...] | None = None
    conditions: Mapping[str, tuple[str, ...]] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Demonstrate:
    """The one-sided lower bound of the pass probability, at ``confidence``, must reach ``pass_probability``."""

    pass_probability: float
    confidence: float
    kind: Literal["demonstrate"] = "demonstrate"


@dataclass(frozen=True, kw_only=True, slots=True)
class Screen:
    """At most ``failures`` trials may fail."""

    failures: int
    kind: Literal["screen"] = "screen"


CheckCriterion = Demonstrate | Screen


@dataclass(frozen=True, kw_only=True, slots=True)
class Check:
    """A functional test that the user supplies.

    Exactly one of ``python`` ("file.py:function" or "module:function"), ``command`` and ``pytest`` (a path, and further
    arguments of pytest) is set. ``timeout_s`` is for one
    trial. ``takes_s`` is how long a trial is expected to take: a simulated clock adds it, estimates use it.
    ``set_up`` and ``tear_down`` name further callables or commands, run once a run and once a corner.
    ``settings`` is handed to the check unread. ``accept_at`` is what is accepted at levels of conditions.
    """

    name: str
    python: str | None = None
    command: tuple[str, ...] | None = None
    pytest: tuple[str, ...] | None = None
    trials: int = 1
    timeout_s: float = 60.0
    takes_s: float = 0.0
    accept: Mapping[str, Acceptance] = field(default_factory=dict)
    at: At = field(default_factory=At)
    criterion: CheckCriterion | None = None
    run_set_up: str | tuple[str, ...] | None = None
    run_tear_down: str | tuple[str, ...] | None = None
    corner_set_up: str | tuple[str, ...] | None = None
    corner_tear_down: str | tuple[str, ...] | None = None
    settings: Mapping[str, str] = field(default_factory=dict)
    accept_at: tuple[AcceptAt, ...] = ()

    def accept_in(self, conditions: Mapping[str, str]) -> Mapping[str, Acceptance]:
        """Tell what is accepted at levels of conditions: where several limit a number, what all of them accept."""
        here = [one.accept for one in self.accept_at if conditions.get(one.condition) == one.level]
        if not here:
            return self.accept
        changed = {}
        for name in dict.fromkeys(name for accept in here for name in accept):
            given = [accept[name] for accept in here if name in accept]
            least, most = strictest((one.min for one in given), (one.max for one in given))
            changed[name] = Acceptance(min=least, max=most)
        return {**self.accept, **changed}


@dataclass(frozen=True, kw_only=True, slots=True)
class Criteria:
    """What must be shown: for checks that name no criterion, for voltages and for trim accuracy.

    ``voltage_window_ratio`` is how far a settled reading may lie from its target, as a share of the target.
    ``trim_claim_ratio`` is the trim accuracy claimed, as a share of the setpoint; None claims nothing.
    ``voltage_window_at`` holds windows by condition and level.
    """

    checks: CheckCriterion = field(default_factory=lambda: Screen(failures=0))
    voltage_window_ratio: float = 0.01
    trim_claim_ratio: float | None = None
    voltage_window_at: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def window_in(self, conditions: Mapping[str, str]) -> float:
        """Tell the voltage window at levels of conditions: the narrowest of those that are stated for them."""
        here = [
            levels[conditions[name]]
            for name, levels in self.voltage_window_at.items()
            if conditions.get(name) in levels
        ]
        return min(here, default=self.voltage_window_ratio)
