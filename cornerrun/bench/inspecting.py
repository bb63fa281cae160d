"""Ask every link and instrument of a bench, before any plan: who it is, what it reads, what troubles it."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from datetime import date

from cornerrun.bench.bench import simulation_of
from cornerrun.bench.by_hand.person import Nobody
from cornerrun.bench.opening import open_text_link
from cornerrun.bench.registry import Surroundings, condition_driver, link_driver, meter_driver
from cornerrun.bench.scan import plan_of_channels
from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.dialect import condition_dialect, meter_dialect, supply_dialect
from cornerrun.bench.scpi.dialect_file import DialectFile, filled
from cornerrun.bench.scpi.supply import ScpiSupply
from cornerrun.bench.scpi.text import expecting, is_overload, number
from cornerrun.clock import Clock
from cornerrun.errors import CornerrunError, InstrumentError
from cornerrun.plan.bench_file import BenchFile, Bus, Instrument
from cornerrun.units import Kind, show

__all__ = ["Inspected", "inspect"]

_TIMEOUT_S = 3.0  # chosen: what answers at all answers within that
_FULL_SCALE_V = 5.0  # chosen: no plan says what the rails are, and the 10 V range takes what a board has
_REVISION = 0x98  # PMBUS_REVISION is not paged and changes nothing; PMBus 1.2 Part II section 22.1
_BY_HAND = ("hand-meter", "by-hand")
_METERS = ("scpi-meter", "hand-probe")


@dataclass(frozen=True, kw_only=True, slots=True)
class Inspected:
    """What was found at one link or instrument.

    ``kind`` is "bus", "meter", "supply", "condition", "instrument" or "by hand". ``identity`` and ``reading`` are empty
    where nothing was told. ``due`` is when its calibration is due. Any of ``problems`` stands in the way of a run.
    """

    name: str
    kind: str
    resource: str
    identity: str = ""
    reading: str = ""
    due: date | None = None
    problems: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def inspect(bench_file: BenchFile, clock: Clock) -> tuple[Inspected, ...]:
    """Ask all of them, one after the other; what fails at one is kept, and the others are asked. Moves nothing.

    Raises:
        PlanProblems: the simulation file has problems.

    """
    surroundings = Surroundings(
        plan=plan_of_channels(bench_file, _FULL_SCALE_V),
        bench_file=bench_file,
        clock=clock,
        simulation=simulation_of(bench_file, clock),
        person=Nobody("an inspection asks nobody"),
    )
    instruments = [bench_file.meter] if bench_file.meter is not None else []
    return (
        *(_bus(bus, surroundings) for bus in bench_file.buses.values()),
        *(_instrument(item, surroundings) for item in (*instruments, *bench_file.instruments.values())),
        *_conditions(surroundings),
    )


def _bus(bus: Bus, surroundings: Surroundings) -> Inspected:
    base = Inspected(name=bus.name, kind="bus", resource=bus.link)
    problems: list[str] = []
    answered: list[str] = []
    with ExitStack() as opened:
        try:
            build, target = link_driver(bus.link)
            link = build(bus, target, surroundings)
            opened.callback(link.close)
            for address in bus.addresses:
                try:
                    link.read_byte_data(address, _REVISION)
                except (CornerrunError, OSError) as error:
                    problems.append(f"0x{address:02X} does not answer: {error}")
                else:
                    answered.append(f"0x{address:02X}")
        except (CornerrunError, OSError) as error:
            return replace(base, problems=(str(error),))
    if not bus.addresses:
        return replace(base, remarks=("opened; the bench file names no `addresses`, so no device was asked",))
    return replace(base, reading=f"{', '.join(answered) or 'nobody'} answered", problems=tuple(problems))


def _instrument(instrument: Instrument, surroundings: Surroundings) -> Inspected:
    kind, ask = _way_of(instrument)
    found = Inspected(name=instrument.name, kind=kind, resource=instrument.resource, due=instrument.due)
    try:
        found = ask(found, instrument, surroundings)
    except (CornerrunError, OSError) as error:
        found = replace(found, problems=(*found.problems, str(error)))
    today = surroundings.clock.utc_now().date()
    if instrument.due is None:
        if kind != "by hand":
            found = replace(found, remarks=(*found.remarks, "nothing says when its calibration is due"))
    elif instrument.due < today:
        overdue = f"its calibration was due on {instrument.due.isoformat()}"
        found = replace(found, problems=(*found.problems, overdue))
    return found


_Ask = Callable[[Inspected, Instrument, Surroundings], Inspected]


def _way_of(instrument: Instrument) -> tuple[str, _Ask]:
    if instrument.driver in _BY_HAND:
        return "by hand", _by_hand
    if instrument.driver in _METERS:
        return "meter", _meter
    if instrument.driver == "scpi-supply":
        return "supply", _supply
    if instrument.driver == "scpi-condition":
        return "condition", _condition
    return ("meter", _plugged_meter) if instrument.name == "meter" else ("instrument", _unknown)


def _by_hand(found: Inspected, instrument: Instrument, surroundings: Surroundings) -> Inspected:
    del instrument, surroundings
    return replace(found, remarks=("a person reads it; nobody was asked",))


def _unknown(found: Inspected, instrument: Instrument, surroundings: Surroundings) -> Inspected:
    del surroundings
    return replace(found, remarks=(f"driver {instrument.driver!r} is not one that can be asked without a plan",))


def _meter(found: Inspected, instrument: Instrument, surroundings: Surroundings) -> Inspected:
    dialect = meter_dialect(instrument.dialect, surroundings.bench_file.directory)
    found = _talked(found, instrument, surroundings, dialect, lambda _: "")
    if found.problems or instrument.driver == "hand-probe":
        return found
    return _plugged_meter(found, instrument, surroundings)


def _plugged_meter(found: Inspected, instrument: Instrument, surroundings: Surroundings) -> Inspected:
    """Set the meter up as a run does, and read the first channel."""
    with ExitStack() as opened:
        meter = meter_driver(instrument.driver)(instrument, surroundings)
        opened.callback(meter.close)
        said = meter.identify()
        found = replace(found, identity=", ".join((said.maker, said.model, said.serial, said.firmware)))
        if not meter.rails:
            return replace(found, remarks=(*found.remarks, "no rail has a channel, so nothing was read"))
        surroundings.clock.sleep_until(meter.start(meter.rails[:1]))
        (reading,) = meter.fetch()
        return replace(found, reading=f"{show(reading.reading_v, Kind.VOLTAGE)} on {reading.rail}")


def _supply(found: Inspected, instrument: Instrument, surroundings: Surroundings) -> Inspected:
    dialect = supply_dialect(instrument.dialect, surroundings.bench_file.directory)

    def read(talk: Conversation) -> str:
        supply = ScpiSupply(talk=talk, dialect=dialect)
        shown = []
        for output in range(1, dialect.outputs + 1):
            state = "" if supply.state(output).is_on else ", off"
            shown.append(f"{show(supply.voltage_v(output), Kind.VOLTAGE)} at output {output}{state}")
        return "; ".join(shown)

    return _talked(found, instrument, surroundings, dialect, read)


def _condition(found: Inspected, instrument: Instrument, surroundings: Surroundings) -> Inspected:
    dialect = condition_dialect(instrument.dialect, surroundings.bench_file.directory)

    def read(talk: Conversation) -> str:
        troubles = [what for what, state in dialect.trouble.items() if talk.query(filled(state.ask), state.holds)]
        if troubles:
            raise InstrumentError("; ".join(troubles))
        value = talk.query(dialect.read, number)
        if is_overload(value):
            raise InstrumentError(f"{dialect.read!r} gave no measurement")
        return f"{value * dialect.scale:g} by {dialect.read!r}"

    return _talked(found, instrument, surroundings, dialect, read)


def _talked(
    found: Inspected,
    instrument: Instrument,
    surroundings: Surroundings,
    dialect: DialectFile,
    read: Callable[[Conversation], str],
) -> Inspected:
    """Ask for identity and error queue, then read; each is told though another fails."""
    talk = Conversation(
        link=open_text_link(instrument, surroundings),
        name=found.name,
        timeout_s=instrument.timeout_s or _TIMEOUT_S,
        error_query=dialect.error,
    )
    problems: list[str] = []
    with ExitStack() as opened:
        opened.callback(lambda: _closed(talk))
        said = talk.identify(expecting(instrument.identity))
        found = replace(found, identity=", ".join((said.maker, said.model, said.serial, said.firmware)))
        try:
            entries = talk.errors()
            if entries:
                problems.append(f"its error queue held {'; '.join(map(str, entries))}; it was emptied by reading it")
        except CornerrunError as error:
            problems.append(str(error))
        try:
            found = replace(found, reading=read(talk))
        except (CornerrunError, ValueError) as error:
            problems.append(str(error))
    return replace(found, problems=tuple(problems))


def _closed(talk: Conversation) -> None:
    with suppress(CornerrunError, OSError):
        talk.close()


def _conditions(surroundings: Surroundings) -> Iterator[Inspected]:
    """Conditions that no instrument of the list sets; the others were asked there."""
    for name, driver in surroundings.bench_file.conditions.items():
        if driver.instrument is not None:
            continue
        found = Inspected(name=name, kind="condition", resource=driver.driver)
        if driver.driver in _BY_HAND:
            yield replace(found, kind="by hand", remarks=("a person sets it; nobody was asked",))
            continue
        try:
            value = condition_driver(driver.driver)(driver, surroundings).read()
            yield replace(found, reading=f"{value:g}")
        except (CornerrunError, OSError) as error:
            yield replace(found, problems=(str(error),))
