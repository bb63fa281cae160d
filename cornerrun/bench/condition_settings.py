"""What a bench file says of how a condition is set and when it counts as reached, read."""

from collections.abc import Mapping
from dataclasses import dataclass

from cornerrun.errors import PlanError, UnitError
from cornerrun.plan.bench_file import BenchFile, ConditionDriver, Instrument, SoakUntil
from cornerrun.plan.condition_nouns import Condition
from cornerrun.plan.model import Plan
from cornerrun.plan.nearest import suggestion
from cornerrun.units import Kind, kind_of, quantity

__all__ = ["ConditionSettings", "condition_settings", "soak_of"]

_KEYS = ("ramp", "timeout", "rest")
_TIMEOUT_S = 4 * 3600.0  # chosen: the slowest chamber ramp and soak, with room


@dataclass(frozen=True, kw_only=True, slots=True)
class ConditionSettings:
    """How a condition is set: numbers in the plan's SI unit, ``ramp_per_min`` in units a minute.

    It is there once it has stayed within ``within`` for ``hold_s`` and ``soak`` is fulfilled; an error if that takes
    longer than ``timeout_s``. ``rest`` None: what the dialect says, or what it was found at.
    """

    name: str
    kind: Kind | None
    within: float
    hold_s: float
    timeout_s: float
    ramp_per_min: float | None
    rest: float | None
    soak: SoakUntil | None


def condition_settings(
    driver: ConditionDriver, plan: Plan, bench_file: BenchFile
) -> tuple[ConditionSettings, Instrument]:
    """Read the lines of a condition in the bench file, and find its instrument.

    ``settings`` may hold ``ramp: 2`` (units a minute), ``timeout: 90 min`` and ``rest: 25 degC``.

    Raises:
        PlanError: names the key, and what to write.

    """
    where = f"{bench_file.source.path}: conditions.{driver.name}"
    instrument = bench_file.instruments.get(driver.instrument or "")
    if instrument is None:
        known = ", ".join(bench_file.instruments) or "none beside the meter"
        raise PlanError(f"{where}: nothing says which instrument sets it; write 'instrument: NAME': {known}")
    for key in driver.settings:
        if key not in _KEYS:
            raise PlanError(f"{where}.settings: unknown key {key!r}; {suggestion(key, _KEYS)}")
    if driver.within is None or driver.stable_for_s is None:
        raise PlanError(
            f"{where}: write 'within', how close to the target counts as there, with its unit, and 'stable_for', how "
            "long it must stay there: '{within: 1 degC, stable_for: 30 s}'"
        )
    planned = next((item for item in plan.conditions if item.name == driver.name), None)
    kind = None if planned is None else kind_of(planned.unit)
    return (
        ConditionSettings(
            name=driver.name,
            kind=kind,
            within=_tolerance(where, driver.within, kind),
            hold_s=driver.stable_for_s,
            timeout_s=_quantity(where, driver.settings, "timeout", Kind.TIME) or _TIMEOUT_S,
            ramp_per_min=_ramp(where, driver.settings),
            rest=_rest(where, driver, planned, kind),
            soak=soak_of(driver, plan, bench_file),
        ),
        instrument,
    )


def soak_of(driver: ConditionDriver, plan: Plan, bench_file: BenchFile) -> SoakUntil | None:
    """Tell what sensor a condition waits for, whatever sets it; PlanError if the plan has no such sensor."""
    planned = next((item for item in plan.conditions if item.name == driver.name), None)
    if driver.soak is not None:
        where = f"{bench_file.source.path}: conditions.{driver.name}"
        _check_soak(where, driver.soak, None if planned is None else kind_of(planned.unit), plan)
    return driver.soak


def _rest(where: str, driver: ConditionDriver, planned: Condition | None, kind: Kind | None) -> float | None:
    """Where the plan leaves it counts before what the bench file says."""
    given = None if kind is None else _quantity(where, driver.settings, "rest", kind)
    return given if planned is None or planned.rest is None else planned.rest


def _tolerance(where: str, text: str, kind: Kind | None) -> float:
    if kind is None:
        return 0.0
    try:
        value = quantity(text, kind)
    except UnitError as error:
        raise PlanError(f"{where}.within: {error}") from error
    if not value > 0:
        raise PlanError(f"{where}.within: {text!r} leaves no room: no reading is ever equal to its target")
    return value


def _quantity(where: str, settings: Mapping[str, str], key: str, kind: Kind) -> float | None:
    if key not in settings:
        return None
    try:
        return quantity(settings[key], kind)
    except UnitError as error:
        raise PlanError(f"{where}.settings.{key}: {error}") from error


def _ramp(where: str, settings: Mapping[str, str]) -> float | None:
    if "ramp" not in settings:
        return None
    try:
        value = float(settings["ramp"])
    except ValueError:
        value = 0.0
    if not 0 < value < float("inf"):
        raise PlanError(f"{where}.settings.ramp: {settings['ramp']!r} is no speed; write a number of units a minute: 2")
    return value


def _check_soak(where: str, soak: SoakUntil, kind: Kind | None, plan: Plan) -> None:
    if kind is not Kind.TEMPERATURE:
        raise PlanError(f"{where}.soak: the plan's condition is no temperature; take it out")
    names = [rail.name for rail in plan.rails]
    if soak.sensor != "instrument" and soak.sensor not in names:
        advice = suggestion(soak.sensor, ["instrument", *names])
        raise PlanError(f"{where}.soak.sensor: {soak.sensor!r} is neither 'instrument' nor a rail; {advice}")
