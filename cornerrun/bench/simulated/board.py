"""A simulated board under test: at which voltages its functions fail, and how surely."""

from collections.abc import Iterator, Mapping
from functools import cache
from statistics import NormalDist
from typing import Protocol

from cornerrun.bench.simulated.board_settings import (
    JUNCTION,
    BoardCheck,
    BoardSettings,
    FrequencyEdge,
    TemperatureEdge,
    Threshold,
)
from cornerrun.bench.simulated.draws import normal, uniform
from cornerrun.errors import CheckError

__all__ = [
    "BoardCheck",
    "BoardSettings",
    "BoardView",
    "RailVoltage",
    "Threshold",
    "margins",
    "pass_probability",
    "passes",
    "unit_shift_v",
]

_STANDARD = NormalDist()


class RailVoltage(Protocol):
    """A rail as a check sees it."""

    @property
    def best_v(self) -> float:
        """The most trusted voltage at hand."""
        ...


class BoardView(Protocol):
    """What this module reads of a check's view; the run's own view fits."""

    @property
    def readings(self) -> Mapping[str, RailVoltage]:
        """Rails by name."""
        ...

    @property
    def conditions(self) -> Mapping[str, float]:
        """Conditions by name, in SI units."""
        ...

    @property
    def visit(self) -> int:
        """Which visit of the run."""
        ...

    @property
    def trial(self) -> int:
        """Which trial of the visit."""
        ...

    @property
    def seed(self) -> int:
        """The seed of the run."""
        ...

    @property
    def serial(self) -> str:
        """The serial number of the unit."""
        ...


def margins(settings: BoardSettings, check: str, view: BoardView) -> tuple[float, ...]:
    """Tell how far each threshold of a check lies from being crossed, in its own spreads; negative is beyond it.

    First those of voltages, then of temperatures, then of frequencies.

    Raises:
        CheckError: the board knows no such check, or the view has no such rail or condition.

    """
    return tuple(_margins(settings, check, view))


def pass_probability(settings: BoardSettings, check: str, view: BoardView) -> float:
    """Tell the chance that one trial passes: every threshold, drawn for itself, must hold.

    Raises:
        CheckError: as `margins`.

    """
    if not _is_up(view):
        return 0.0
    probability = 1.0
    for margin in _margins(settings, check, view):
        probability *= _STANDARD.cdf(margin)
    intermittent = settings.checks[check].intermittent
    return probability if intermittent is None else probability * (1.0 - intermittent.rate)


def passes(settings: BoardSettings, check: str, view: BoardView, seed: int | None = None) -> bool:
    """Tell whether one trial passes: a function of voltages and of (seed, check, visit, trial) alone.

    ``seed`` None takes the view's. A board that the view says is not up passes nothing.

    Raises:
        CheckError: as `margins`.

    """
    root = view.seed if seed is None else seed
    holds = all(
        margin > normal("trial", root, check, view.visit, view.trial, index)
        for index, margin in enumerate(_margins(settings, check, view))
    )
    if not holds or not _is_up(view):
        return False
    intermittent = settings.checks[check].intermittent
    if intermittent is None:
        return True
    draw = uniform("intermittent", root, check, view.visit, view.trial // intermittent.burst)
    return draw >= intermittent.rate


def unit_shift_v(threshold: Threshold, serial: str, check: str, index: int) -> float:
    """Tell how far the edge of one unit lies from that of the typical one."""
    return threshold.unit_spread * _unit_draw(serial, check, index) if threshold.unit_spread else 0.0


def _margins(settings: BoardSettings, check: str, view: BoardView) -> Iterator[float]:
    found = _check(settings, check)
    state = _state(view)
    for index, threshold in enumerate(found.thresholds):
        yield _margin(threshold, check, index, view, state)
    plain: tuple[TemperatureEdge | FrequencyEdge, ...] = (*found.temperatures, *found.frequencies)
    for edge in plain:
        yield _plain_margin(edge, view, state)


def _check(settings: BoardSettings, check: str) -> BoardCheck:
    try:
        return settings.checks[check]
    except KeyError:
        known = ", ".join(map(repr, settings.checks)) or "none"
        raise CheckError(f"the simulated board knows no check {check!r}; it has {known}") from None


def _margin(threshold: Threshold, check: str, index: int, view: BoardView, state: Mapping[str, str]) -> float:
    combined_v = _voltage(view, threshold.rail) - sum(
        share * _voltage(view, other) for other, share in threshold.minus.items()
    )
    shift_v = unit_shift_v(threshold, view.serial, check, index)
    if threshold.per_kelvin:
        shift_v += threshold.per_kelvin * (_temperature(threshold.condition, view, state, threshold.at) - threshold.at)
    inward_v = 0.0
    frequency = threshold.frequency
    if frequency is not None and frequency.condition in view.conditions:
        inward_v += frequency.voltage * (view.conditions[frequency.condition] - frequency.at) / frequency.per
    if state:
        inward_v += float(state.get(f"shift {check}", "0"))
        if threshold.hysteresis and f"{check}/{index}" in state.get("crossed", "").split("\n"):
            inward_v += threshold.hysteresis
    if threshold.below is not None:
        return (combined_v - threshold.below - shift_v - inward_v) / threshold.spread
    assert threshold.above is not None  # the model admits nothing else
    return (threshold.above + shift_v - combined_v - inward_v) / threshold.spread


def _plain_margin(edge: TemperatureEdge | FrequencyEdge, view: BoardView, state: Mapping[str, str]) -> float:
    if edge.condition == JUNCTION:
        now = _temperature(JUNCTION, view, state, None)
    elif edge.condition in view.conditions:
        now = view.conditions[edge.condition]
    else:
        known = ", ".join(map(repr, view.conditions)) or "none"
        raise CheckError(f"the simulated board needs the condition {edge.condition!r}; the plan sets {known}")
    if edge.below is not None:
        return (now - edge.below) / edge.spread
    assert edge.above is not None  # the model admits nothing else
    return (edge.above - now) / edge.spread


def _temperature(condition: str, view: BoardView, state: Mapping[str, str], otherwise: float | None) -> float:
    """Tell a temperature: the junction's as the bench says, ambient's where it says nothing."""
    if condition == JUNCTION and JUNCTION in state:
        return float(state[JUNCTION])
    named = "ambient" if condition == JUNCTION else condition
    if named in view.conditions:
        return view.conditions[named]
    if otherwise is None:
        raise CheckError("the simulated board needs the temperature of its silicon, which no bench tells")
    return otherwise


def _state(view: BoardView) -> Mapping[str, str]:
    """Tell what the bench says of the board; views of other makers say nothing."""
    state: Mapping[str, str] = getattr(view, "board", {})
    return state


def _is_up(view: BoardView) -> bool:
    return _state(view).get("state", "up") == "up"


@cache
def _unit_draw(serial: str, check: str, index: int) -> float:
    return normal("unit", serial, check, index)


def _voltage(view: BoardView, rail: str) -> float:
    try:
        return view.readings[rail].best_v
    except KeyError:
        raise CheckError(f"the simulated board needs the voltage of {rail!r}, which the plan does not have") from None
