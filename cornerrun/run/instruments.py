"""Who measures and sets: identity and calibration, and what the meter reads of what is known, before anything moves."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

from cornerrun.bench.abilities import Identifies, ReadsReferences, ReferenceReading
from cornerrun.bench.ports import BenchPorts, DeviceIdentity, Voltmeter
from cornerrun.bench.scpi.text import is_overload
from cornerrun.errors import InstrumentError
from cornerrun.plan.bench_file import BenchFile, Instrument
from cornerrun.results.records import InstrumentRecord, ReferenceRecord
from cornerrun.results.verdict import references_out

__all__ = ["instrument_records", "refuse_bad_references"]


def instrument_records(
    bench_file: BenchFile, bench: BenchPorts, identities: Sequence[DeviceIdentity] = ()
) -> tuple[InstrumentRecord, ...]:
    """Set the meter up and read its references; ask everything else that the run will use who it is.

    ``identities`` are what makers of rails said: supplies are among them.

    Raises:
        InstrumentError: an instrument is not there, is another one, refuses its settings, or the meter cannot read the
            references of the bench file.

    """
    found = list(_meter(bench_file, bench.meter))
    said = {item.device: _joined(item.texts) for item in identities}
    for name, condition in bench.conditions.items():
        driver = bench_file.conditions.get(name)
        if driver is not None and driver.instrument is not None and isinstance(condition, Identifies):
            said[driver.instrument] = condition.identify()
    found += [_bare(item, said[name]) for name, item in bench_file.instruments.items() if name in said]
    return tuple(found)


def _joined(texts: Mapping[str, str]) -> str:
    return ", ".join(texts.get(key, "") for key in ("maker", "model", "serial", "revision"))


def _bare(instrument: Instrument, identity: str) -> InstrumentRecord:
    return InstrumentRecord(
        name=instrument.name,
        identity=identity,
        resource=instrument.resource,
        calibrated=_day(instrument.calibrated),
        due=_day(instrument.due),
        nplc=None,
        line_hz=None,
        reading_ratio=None,
        range_ratio=None,
        coverage=None,
    )


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _meter(bench_file: BenchFile, meter: Voltmeter | None) -> tuple[InstrumentRecord, ...]:
    instrument = bench_file.meter
    if instrument is None or meter is None:
        return ()
    said = meter.identify()
    references: tuple[ReferenceReading, ...] = ()
    if instrument.references:
        if not isinstance(meter, ReadsReferences):
            raise InstrumentError(
                f"{bench_file.source.path}: instruments.{instrument.name}.references: the driver "
                f"{instrument.driver!r} reads none; take them out"
            )
        references = meter.read_references()
    uncertainty = instrument.uncertainty
    return (
        replace(
            _bare(instrument, ", ".join((said.maker, said.model, said.serial, said.firmware))),
            nplc=instrument.nplc,
            line_hz=instrument.line_hz,
            reading_ratio=uncertainty.reading_ratio if uncertainty is not None else None,
            range_ratio=uncertainty.range_ratio if uncertainty is not None else None,
            coverage=uncertainty.coverage if uncertainty is not None else None,
            references=tuple(_record(reading) for reading in references),
        ),
    )


def refuse_bad_references(instruments: Sequence[InstrumentRecord]) -> None:
    """End a run before it has moved anything if its meter misreads something known.

    Raises:
        InstrumentError: says which, by how much, and what to look at.

    """
    out = references_out(instruments)
    if out:
        raise InstrumentError(f"{'; '.join(out)}; see its wiring and its calibration; nothing was moved")


def _record(reading: ReferenceReading) -> ReferenceRecord:
    known = reading.reference
    return ReferenceRecord(
        name=known.name,
        channel=known.channel,
        value_v=known.value_v,
        within_v=known.within_v,
        reading_v=None if is_overload(reading.reading_v) else reading.reading_v,
    )
