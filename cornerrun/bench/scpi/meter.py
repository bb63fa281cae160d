"""The reference meter: any SCPI voltmeter, behind a scanner or on one probe.

Only commands of SCPI-99 and IEEE 488.2 are used (from memory: SCPI-99 volume 2, CONFigure, SENSe, ROUTe, INITiate,
FETCh?, READ?, SYSTem:ERRor?). What an instrument cannot do is found out while it is set up (`meter_setup`).
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from cornerrun.bench.abilities import ReferenceReading
from cornerrun.bench.ports import MeterIdentity, MeterReading, Note
from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.dialect import meter_dialect
from cornerrun.bench.scpi.dialect_file import MeterDialect, filled
from cornerrun.bench.scpi.meter_setup import POWER_ON, Abilities, Reach, Wanted, event_status, set_up
from cornerrun.bench.scpi.options import meter_options, probed_rail, ranges_of, reference_ranges
from cornerrun.bench.scpi.session import TextLink
from cornerrun.bench.scpi.text import channel_list, expecting, is_overload, numbers
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError
from cornerrun.plan.bench_file import Instrument
from cornerrun.plan.model import Rail
from cornerrun.units import Kind, show

__all__ = ["ScpiMeter"]

_TIMEOUT_S = 3.0  # chosen: set-up commands of a meter take tens of milliseconds, a calibration of its zero a second


@dataclass(frozen=True, kw_only=True, slots=True)
class _Acquisition:
    """What was started: rails as asked for, and in the order in which the scanner takes them."""

    asked: tuple[str, ...]
    scanned: tuple[str, ...]
    started_s: float
    done_s: float


class ScpiMeter:
    """A voltmeter that speaks SCPI in the words of its dialect; None takes the generic ones.

    ``channels`` maps rails to scanner channels; without any, one probe is on the rail that the bench file names
    (``settings: {rail: NAME}``) or on the only rail of the plan.

    Raises:
        PlanError: the bench file does not say what the probe is on, or no range fits.

    """

    def __init__(
        self,
        *,
        link: TextLink,
        instrument: Instrument,
        channels: Mapping[str, int],
        rails: Sequence[Rail],
        clock: Clock,
        dialect: MeterDialect | None = None,
    ) -> None:
        options = meter_options(instrument)
        self._words = dialect or meter_dialect(None, Path())
        self._instrument = instrument
        self._clock = clock
        self._channels = dict(channels) if channels else {probed_rail(instrument, rails): 0}
        reached = [rail for rail in rails if rail.name in self._channels]
        self._rails = tuple(rail.name for rail in reached)
        # References are read like rails; no rail has a name in brackets.
        self._references = {f"<{item.name}>": item for item in instrument.references} if channels else {}
        self._channels |= {name: item.channel for name, item in self._references.items()}
        self._abilities = self._untold = Abilities(
            reach=Reach.SCAN if channels else Reach.PROBE,
            ranges_v={
                **ranges_of(instrument, options.ranges_v, reached),
                **reference_ranges(instrument, options.ranges_v, self._references),
            },
        )
        self._timeout_s = instrument.timeout_s or _TIMEOUT_S
        self._talk = Conversation(
            link=link,
            name=f"meter {instrument.name!r} at {instrument.resource}",
            timeout_s=self._timeout_s,
            error_query=self._words.error,
        )
        self._aperture_s = instrument.nplc / instrument.line_hz
        # With auto-zero each reading is followed by one of a shorted input, as long again (common practice, no source).
        self._reading_s = self._aperture_s * (2 if instrument.autozero else 1)
        if channels:
            self._reading_s += instrument.relay_delay_s
        self._wanted = Wanted(
            channels={name: self._channels[name] for name in (*self._rails, *self._references)},
            nplc=None if options.has_fixed_aperture else instrument.nplc,
            line_hz=instrument.line_hz,
            has_autozero=instrument.autozero,
            settle_s=instrument.relay_delay_s,
            reading_s=self._reading_s,
            messages=options.set_up,
        )
        self._scan_list: str | None = None
        self._running: _Acquisition | None = None
        self._is_doubtful = False
        self._notes: list[Note] = []

    @property
    def rails(self) -> tuple[str, ...]:
        return self._rails

    def identify(self) -> MeterIdentity:
        identity = self._talk.identify(expecting(self._instrument.identity))
        self._set_up()
        return identity

    def start(self, rails: Sequence[str]) -> float:
        unreached = [rail for rail in rails if rail not in self._rails]
        if unreached or len(set(rails)) != len(rails) or not rails:
            reached = ", ".join(self._rails) or "no rail"
            raise InstrumentError(f"{self._talk.name} cannot read {', '.join(rails) or 'nothing'}: it is on {reached}")
        return self._start(rails)

    def fetch(self) -> tuple[MeterReading, ...]:
        readings = self._fetch()
        lost = [reading for reading in readings if is_overload(reading.reading_v)]
        if lost:
            raise InstrumentError(f"{self._talk.name}: {'; '.join(map(_overload, lost))}")
        return readings

    def read_references(self) -> tuple[ReferenceReading, ...]:
        """Read what is wired besides rails; overload stays what it is, and is out of every bound."""
        if not self._references:
            return ()
        self._start(tuple(self._references))
        return tuple(
            ReferenceReading(reference=self._references[reading.rail], reading_v=reading.reading_v)
            for reading in self._fetch()
        )

    def take_notes(self) -> tuple[Note, ...]:
        """Hand over what was seen since this was last called."""
        notes, self._notes = tuple(self._notes), []
        return notes

    def close(self) -> None:
        # The readings are home; whatever fails here is nothing that a run could act on.
        with suppress(InstrumentError):
            if self._running is not None:
                self._talk.write(self._words.abort)
            if self._abilities.reach is not Reach.PROBE:
                self._talk.write(self._words.open_all)
            self._talk.write("*CLS")
            self._talk.errors()
        self._talk.close()

    def _set_up(self) -> None:
        self._running, self._scan_list, self._is_doubtful = None, None, True
        self._abilities = set_up(self._talk, self._words, self._untold, self._wanted)
        self._notes += [Note(severity="warning", what=remark) for remark in self._abilities.remarks]
        self._is_doubtful = False

    def _start(self, names: Sequence[str]) -> float:
        self._settle_doubt()
        if self._running is not None:
            self._talk.write(self._words.abort)  # INITiate is refused while an acquisition runs
        # Many scanners sort their list by channel (common practice, no source): sorted here, the order is known.
        scanned = tuple(sorted(names, key=self._channels.__getitem__))
        if self._abilities.reach is Reach.SCAN:
            self._set_scan_list(scanned)
        started_s = self._clock.now_s()
        done_s = started_s
        if self._abilities.can_fetch and self._words.start is not None:
            self._talk.write(self._words.start)
            started_s = self._clock.now_s()
            done_s = started_s + len(scanned) * self._reading_s
        self._running = _Acquisition(asked=tuple(names), scanned=scanned, started_s=started_s, done_s=done_s)
        return done_s

    def _settle_doubt(self) -> None:
        """After trouble: set the instrument up again if it lost its settings, or if it can't say that it did not."""
        if not self._is_doubtful:
            return
        if self._abilities.has_event_status and not self._talk.query("*ESR?", event_status) & POWER_ON:
            self._is_doubtful = False
            return
        self._set_up()
        self._notes.append(Note(severity="warning", what=f"{self._talk.name} was set up again after trouble"))

    def _fetch(self) -> tuple[MeterReading, ...]:
        running = self._running
        if running is None:
            raise InstrumentError(f"{self._talk.name} was asked for readings that nobody started")
        self._is_doubtful = True
        if self._abilities.reach is Reach.CLOSE:
            readings = [self._read_closed(name) for name in running.scanned]
        else:
            readings = self._read_scanned(running)
        self._running = None
        self._look_for_trouble()
        self._is_doubtful = False
        by_name = {reading.rail: reading for reading in readings}
        return tuple(by_name[name] for name in running.asked)

    def _set_scan_list(self, scanned: Sequence[str]) -> None:
        scan_list = channel_list(self._channels[name] for name in scanned)
        if scan_list != self._scan_list and self._words.scan is not None:
            self._scan_list = None
            advice = "see that `channels` in the bench file names channels it has"
            self._talk.order(filled(self._words.scan, channels=scan_list), advice)
            self._scan_list = scan_list

    def _read_scanned(self, running: _Acquisition) -> list[MeterReading]:
        started_s = running.started_s
        if self._abilities.can_fetch:
            self._clock.sleep_until(running.done_s)
            command = self._words.fetch
        else:
            started_s = self._clock.now_s()
            command = self._words.read
        values = self._acquired(command, len(running.scanned))
        ended_s = self._clock.now_s()  # an instrument may be faster than reckoned
        return [
            self._reading(rail, value, min(started_s + position * self._reading_s, ended_s))
            for position, (rail, value) in enumerate(zip(running.scanned, values, strict=True), start=1)
        ]

    def _read_closed(self, name: str) -> MeterReading:
        self._talk.write(self._words.open_all)
        self._talk.write(filled(self._words.close, channels=channel_list([self._channels[name]])))
        self._clock.sleep_until(self._clock.now_s() + self._instrument.relay_delay_s)
        (value,) = self._acquired(self._words.read, 1)
        return self._reading(name, value, self._clock.now_s())

    def _acquired(self, command: str, count: int) -> tuple[float, ...]:
        def read(answer: str) -> tuple[float, ...]:
            values = numbers(answer)
            if len(values) != count:
                raise ValueError(f"{len(values)} readings came where {count} were asked for")
            return values

        try:
            return self._talk.query(command, read, timeout_s=self._timeout_s + 2 * count * self._reading_s)
        except InstrumentError as error:
            said = self._queue_after_failure()
            raise InstrumentError(f"{error}{said}") from error

    def _queue_after_failure(self) -> str:
        with suppress(InstrumentError):
            entries = self._talk.errors()
            return f"; its error queue says {'; '.join(map(str, entries))}" if entries else ""
        return ""

    def _look_for_trouble(self) -> None:
        sent = self._talk.sent
        entries = self._talk.errors()
        if self._abilities.has_event_status and self._talk.query("*ESR?", event_status) & POWER_ON:
            self._set_up()
            raise InstrumentError(
                f"{self._talk.name} was switched off and on: its range and aperture were lost, so nothing of this "
                "reading is used; it has been set up again"
            )
        if entries:
            raise InstrumentError(
                f"{self._talk.name} reports {'; '.join(map(str, entries))} after a reading, which "
                f"{' or '.join(map(repr, sent))} caused; nothing of it is used"
            )

    def _reading(self, rail: str, value: float, at_s: float) -> MeterReading:
        return MeterReading(
            rail=rail,
            channel=self._channels[rail],
            read_at_s=at_s,
            reading_v=value,
            range_v=self._abilities.ranges_v[rail],
            aperture_s=self._aperture_s,
        )


def _overload(reading: MeterReading) -> str:
    place = f" (channel {reading.channel})" if reading.channel else ""
    return (
        f"{reading.rail}{place} gave {reading.reading_v:.3G}, which is overload or no measurement, on the "
        f"{show(reading.range_v, Kind.VOLTAGE)} range; check its wiring"
    )
