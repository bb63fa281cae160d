"""A simulated board under test: at which voltages its functions fail, and how surely."""

from collections.abc import Mapping
from functools import cache
from statistics import NormalDist
from typing import Annotated, Protocol, Self

from pydantic import Field, model_validator

from cornerrun.bench.simulated.draws import normal
from cornerrun.errors import CheckError
from cornerrun.plan.fields import Degrees, FileModel, Name, Ratio, Volts, refusal

__all__ = [
    "BoardCheck",
    "BoardSettings",
    "BoardView",
    "RailVoltage",
    "Threshold",
    "margins",
    "pass_probability",
    "passes",
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


class Threshold(FileModel):
    """One edge of a function: it fails where ``rail``, less shares of others, lies ``below`` or ``above`` a voltage.

    With ``minus`` the edge belongs to a combination of rails: ``rail - share * other`` falls short only where both
    lean the wrong way. ``spread`` is the standard deviation of the edge from trial to trial, so that failures close to
    it are probable, not certain; ``unit_spread`` that from unit to unit. The edge moves by ``per_kelvin`` with the
    condition named ``condition``, counted from ``at``.
    """

    rail: Name
    minus: dict[Name, Ratio] = Field(default_factory=dict)
    below: Volts | None = None
    above: Volts | None = None
    spread: Annotated[Volts, Field(gt=0)]
    unit_spread: Annotated[Volts, Field(ge=0)] = 0.0
    per_kelvin: Volts = 0.0
    condition: Name = "ambient"
    at: Degrees = 25.0

    @model_validator(mode="after")
    def _has_one_side(self) -> Self:
        if (self.below is None) == (self.above is None):
            raise refusal("a threshold has one side", "give either 'below' or 'above'")
        return self


class BoardCheck(FileModel):
    """A function of the board, by the name of the check that exercises it; it works where no threshold is crossed."""

    thresholds: Annotated[tuple[Threshold, ...], Field(min_length=1)]


class BoardSettings(FileModel):
    """What works when: the section ``board`` of a simulation file."""

    checks: dict[Name, BoardCheck] = Field(default_factory=dict)


def margins(settings: BoardSettings, check: str, view: BoardView) -> tuple[float, ...]:
    """Tell how far each threshold of a check lies from being crossed, in its own spreads; negative is beyond it.

    Raises:
        CheckError: the board knows no such check, or the view has no such rail.

    """
    return tuple(_margin(threshold, check, index, view) for index, threshold in enumerate(_thresholds(settings, check)))


def pass_probability(settings: BoardSettings, check: str, view: BoardView) -> float:
    """Tell the chance that one trial passes: every threshold, drawn for itself, must hold.

    Raises:
        CheckError: as `margins`.

    """
    probability = 1.0
    for margin in margins(settings, check, view):
        probability *= _STANDARD.cdf(margin)
    return probability


def passes(settings: BoardSettings, check: str, view: BoardView, seed: int | None = None) -> bool:
    """Tell whether one trial passes: a function of voltages and of (seed, check, visit, trial) alone.

    ``seed`` None takes the view's.

    Raises:
        CheckError: as `margins`.

    """
    root = view.seed if seed is None else seed
    return all(
        margin > normal("trial", root, check, view.visit, view.trial, index)
        for index, margin in enumerate(margins(settings, check, view))
    )


def _thresholds(settings: BoardSettings, check: str) -> tuple[Threshold, ...]:
    try:
        return settings.checks[check].thresholds
    except KeyError:
        known = ", ".join(map(repr, settings.checks)) or "none"
        raise CheckError(f"the simulated board knows no check {check!r}; it has {known}") from None


def _margin(threshold: Threshold, check: str, index: int, view: BoardView) -> float:
    combined_v = _voltage(view, threshold.rail) - sum(
        share * _voltage(view, other) for other, share in threshold.minus.items()
    )
    shift_v = threshold.unit_spread * _unit_draw(view.serial, check, index) if threshold.unit_spread else 0.0
    if threshold.per_kelvin and threshold.condition in view.conditions:
        shift_v += threshold.per_kelvin * (view.conditions[threshold.condition] - threshold.at)
    if threshold.below is not None:
        return (combined_v - threshold.below - shift_v) / threshold.spread
    assert threshold.above is not None  # the model admits nothing else
    return (threshold.above + shift_v - combined_v) / threshold.spread


@cache
def _unit_draw(serial: str, check: str, index: int) -> float:
    return normal("unit", serial, check, index)


def _voltage(view: BoardView, rail: str) -> float:
    try:
        return view.readings[rail].best_v
    except KeyError:
        raise CheckError(f"the simulated board needs the voltage of {rail!r}, which the plan does not have") from None
