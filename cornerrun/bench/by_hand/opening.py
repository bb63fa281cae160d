"""The constructors of what is done by hand, as the registry wants them."""

from dataclasses import replace

from cornerrun.bench.by_hand.person import Nobody, Person
from cornerrun.bench.by_hand.probe import HandProbe, Typed
from cornerrun.bench.by_hand.setting import HandSetting
from cornerrun.bench.ports import Condition, MeterIdentity, MeterReading, Voltmeter
from cornerrun.bench.registry import Surroundings
from cornerrun.errors import PlanError, UnitError
from cornerrun.plan.bench_file import ConditionDriver, Instrument
from cornerrun.plan.model import Rail
from cornerrun.units import kind_of, quantity

__all__ = ["open_hand_meter", "open_hand_probe", "open_hand_setting"]

_NOT_ASKED = "nobody is asked here (--no-input)"


def open_hand_probe(instrument: Instrument, surroundings: Surroundings, /) -> Voltmeter:
    """Open a SCPI meter whose one probe a person puts from rail to rail; it reads them all on one fixed range."""
    from cornerrun.bench.opening import open_scpi_meter

    rails = _rails(instrument, surroundings)
    highest = max(rails, key=lambda rail: max(abs(rail.hard_limits.max_v), abs(rail.hard_limits.min_v)))
    inner = replace(instrument, settings={**_without_rails(instrument), "rail": highest.name})
    meter = open_scpi_meter(inner, replace(surroundings, bench_file=replace(surroundings.bench_file, channels={})))

    def read(rail: str, answer: str) -> MeterReading:
        del answer
        surroundings.clock.sleep_until(meter.start([highest.name]))
        (reading,) = meter.fetch()
        return replace(reading, rail=rail)

    return HandProbe(
        person=_person(surroundings),
        clock=surroundings.clock,
        rails=[rail.name for rail in rails],
        identify=meter.identify,
        reads=read,
        asks="press Enter and hold it there",
        close=meter.close,
        patience_s=instrument.timeout_s,
    )


def open_hand_meter(instrument: Instrument, surroundings: Surroundings, /) -> Voltmeter:
    """Let a person read out a meter that has no link; ``resource`` says which meter that is."""
    rails, person = _rails(instrument, surroundings), _person(surroundings)
    range_v = instrument.range_v or max(abs(rail.hard_limits.max_v) for rail in rails)
    said = MeterIdentity(maker="read by hand", model=instrument.resource, serial="", firmware="")
    return HandProbe(
        person=person,
        clock=surroundings.clock,
        rails=[rail.name for rail in rails],
        identify=lambda: said,
        reads=Typed(person=person, clock=surroundings.clock, range_v=range_v),
        asks="type what the meter shows, with the unit (3.301 V)",
        close=lambda: None,
        patience_s=instrument.timeout_s,
    )


def open_hand_setting(driver: ConditionDriver, surroundings: Surroundings, /) -> Condition:
    """Let a person set a condition; the bench file says how close to the target counts (``within``)."""
    where = f"{surroundings.bench_file.source.path}: conditions.{driver.name}"
    planned = next((item for item in surroundings.plan.conditions if item.name == driver.name), None)
    kind = kind_of(planned.unit) if planned is not None else None
    if kind is None:
        raise PlanError(f"{where}: the plan has no such condition with a unit; nothing is to be set by hand")
    if driver.within is None:
        raise PlanError(f"{where}: write 'within', how close to the target counts as there, with its unit")
    try:
        within = quantity(driver.within, kind)
        rest = quantity(driver.settings["rest"], kind) if "rest" in driver.settings else None
    except UnitError as error:
        raise PlanError(f"{where}: {error}") from error
    return HandSetting(
        name=driver.name,
        kind=kind,
        within=within,
        rest=rest,
        person=_person(surroundings),
        clock=surroundings.clock,
    )


def _person(surroundings: Surroundings) -> Person:
    return surroundings.person or Nobody(_NOT_ASKED)


def _without_rails(instrument: Instrument) -> dict[str, str]:
    return {key: value for key, value in instrument.settings.items() if key not in ("rails", "rail")}


def _rails(instrument: Instrument, surroundings: Surroundings) -> tuple[Rail, ...]:
    """The rails that the probe is for: those that ``settings: {rails: "A, B"}`` names, or all."""
    where = f"{surroundings.bench_file.source.path}: instruments.{instrument.name}"
    if surroundings.bench_file.channels:
        raise PlanError(
            f"{where}: a hand-held probe has no channels; take `channels` out, or name a meter with a scanner"
        )
    known = {rail.name: rail for rail in surroundings.plan.rails}
    names = [name.strip() for name in instrument.settings.get("rails", ",".join(known)).split(",")]
    for name in names:
        if name not in known:
            raise PlanError(f"{where}.settings.rails: the plan has no rail {name!r}; it has {', '.join(known)}")
    return tuple(rail for rail in surroundings.plan.rails if rail.name in names)
