"""Who measures: identity and calibration of the meter, and what it reads of what is known, before anything is moved."""

from collections.abc import Sequence

from cornerrun.bench.abilities import ReadsReferences, ReferenceReading
from cornerrun.bench.ports import Voltmeter
from cornerrun.bench.scpi.text import is_overload
from cornerrun.errors import InstrumentError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.results.records import InstrumentRecord, ReferenceRecord
from cornerrun.results.verdict import references_out

__all__ = ["instrument_records", "refuse_bad_references"]


def instrument_records(bench_file: BenchFile, meter: Voltmeter | None) -> tuple[InstrumentRecord, ...]:
    """Set the meter up and read its references.

    Raises:
        InstrumentError: the meter is not there, refuses its settings, or cannot read the references of the bench file.

    """
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
        InstrumentRecord(
            name=instrument.name,
            identity=", ".join((said.maker, said.model, said.serial, said.firmware)),
            resource=instrument.resource,
            calibrated=instrument.calibrated.isoformat() if instrument.calibrated is not None else None,
            due=instrument.due.isoformat() if instrument.due is not None else None,
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
