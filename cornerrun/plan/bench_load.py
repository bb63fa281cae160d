"""A bench file as it is written -> the bench that every other room reads."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from cornerrun.plan.bench_file import Alarm, BenchFile, Bus, ConditionDriver, Instrument, MeterUncertainty, Watch
from cornerrun.plan.document import Document, load_document
from cornerrun.plan.fields import Day, FileModel, Hertz, Name, Number, Ratio, Seconds, Text, Volts, Whole
from cornerrun.plan.files import FormatNumber
from cornerrun.plan.nodes import Loc, ProblemList

__all__ = ["BenchText", "read_bench"]

_TCP = re.compile(r"tcp:(?:[^\s:\[\]]+|\[[0-9a-fA-F:.]+\]):([0-9]{1,5})")
_Add = Callable[[Loc, str, str], None]
Settings = dict[Name, Annotated[str, Field(max_length=1000)]]


class BusText(FileModel):
    """A bus and how to reach it."""

    link: Text = Field(examples=["simulated"])
    clock: Annotated[Hertz, Field(ge=1e3, le=5e6)] = 100e3
    pec: bool = True
    error_budget: Annotated[Ratio, Field(gt=0, lt=1)] = 0.05
    addresses: tuple[Annotated[Whole, Field(ge=0x08, le=0x77)], ...] = ()


class UncertaintyText(FileModel):
    """A meter's specification."""

    reading: Annotated[Ratio, Field(ge=0, lt=1)] = Field(examples=["35 ppm"])
    range: Annotated[Ratio, Field(ge=0, lt=1)] = Field(examples=["5 ppm"])
    coverage: Annotated[Number, Field(gt=0, le=10)] | None = None


class InstrumentText(FileModel):
    """An instrument: how to reach it, its settings and its calibration."""

    driver: Name = Field(examples=["scpi-meter"])
    resource: Text = Field(examples=["TCPIP::192.0.2.7::5025::SOCKET"])
    nplc: Annotated[Number, Field(gt=0, le=1000)] = 1.0
    line: Annotated[Hertz, Field(ge=10, le=1000)] = 50.0
    range: Annotated[Volts, Field(gt=0)] | None = None
    autozero: bool = True
    relay_delay: Annotated[Seconds, Field(ge=0)] = 0.01
    timeout: Annotated[Seconds, Field(gt=0)] | None = None
    uncertainty: UncertaintyText | None = None
    calibrated: Day | None = None
    due: Day | None = None
    settings: Settings = Field(default_factory=dict)


class InstrumentsText(FileModel):
    """The instruments of a bench by what they are for."""

    meter: InstrumentText | None = None


class ConditionText(FileModel):
    """What sets a condition of the plan."""

    driver: Name = Field(examples=["simulated"])
    settings: Settings = Field(default_factory=dict)


class WatchText(FileModel):
    """How often every rail is read."""

    period: Annotated[Seconds, Field(gt=0, le=60)] = Field(examples=["100 ms"])


class AlarmText(FileModel):
    """What calls a person when a board is left off: a command and how long it may take."""

    command: Text = Field(examples=["./call_me.sh"])
    timeout: Annotated[Seconds, Field(gt=0, le=600)] = 30.0


class BenchText(FileModel):
    """Where a plan is carried out."""

    format: FormatNumber = Field(examples=["1"])
    station: Text = Field(examples=["desk"])
    kind: Literal["simulated", "hardware"] = Field(examples=["simulated"])
    buses: dict[Name, BusText] = Field(default_factory=dict)
    instruments: InstrumentsText = InstrumentsText()
    channels: dict[Name, Annotated[Whole, Field(ge=0, le=99_999)]] = Field(default_factory=dict)
    conditions: dict[Name, ConditionText] = Field(default_factory=dict)
    watch: WatchText | None = None
    alarm: AlarmText | None = None
    simulation: Text | None = None


def read_bench(path: Path) -> BenchFile:
    """Read a bench file.

    Raises:
        PlanProblems: every problem of the file.

    """
    document = load_document(path, BenchText, role="bench")
    _check(document)
    file, directory = document.model, path.parent.resolve()
    meter = file.instruments.meter
    return BenchFile(
        station=file.station,
        kind=file.kind,
        buses={
            n: Bus(
                name=n,
                link=bus.link,
                clock_hz=bus.clock,
                pec=bus.pec,
                error_budget_ratio=bus.error_budget,
                addresses=bus.addresses,
            )
            for n, bus in file.buses.items()
        },
        meter=None if meter is None else _instrument("meter", meter),
        channels=dict(file.channels),
        conditions={
            n: ConditionDriver(name=n, driver=item.driver, settings=dict(item.settings))
            for n, item in file.conditions.items()
        },
        watch=Watch() if file.watch is None else Watch(period_s=file.watch.period),
        simulation=None if file.simulation is None else directory / file.simulation,
        source=document.source,
        directory=directory,
        alarm=None if file.alarm is None else Alarm(command=file.alarm.command, timeout_s=file.alarm.timeout),
    )


def _instrument(name: str, text: InstrumentText) -> Instrument:
    given = text.uncertainty
    return Instrument(
        name=name,
        driver=text.driver,
        resource=text.resource,
        nplc=text.nplc,
        line_hz=text.line,
        range_v=text.range,
        autozero=text.autozero,
        relay_delay_s=text.relay_delay,
        timeout_s=text.timeout,
        uncertainty=None
        if given is None
        else MeterUncertainty(reading_ratio=given.reading, range_ratio=given.range, coverage=given.coverage),
        calibrated=text.calibrated,
        due=text.due,
        settings=dict(text.settings),
    )


def _check(document: Document[BenchText]) -> None:
    file, problems = document.model, ProblemList()

    def add(loc: Loc, came: str, advice: str) -> None:
        problems.extend((document.problem(loc, came, advice),))

    simulated = [("buses", name, "link") for name, bus in file.buses.items() if bus.link == "simulated"]
    meter = file.instruments.meter
    if meter is not None and meter.resource == "simulated":
        simulated.append(("instruments", "meter", "resource"))
    if file.kind == "hardware":
        for loc in simulated:
            add(loc, "'simulated' on a bench of kind hardware", "name a real link, or write 'kind: simulated'")
        if file.simulation is not None:
            add(("simulation",), "a bench of kind hardware simulates nothing", "delete it, or write 'kind: simulated'")
    elif simulated and file.simulation is None:
        add(
            simulated[0],
            "nothing says how the simulated board behaves",
            "write 'simulation: FILE.yaml' in the bench file",
        )
    for name, bus in file.buses.items():
        _check_link(add, ("buses", name, "link"), bus.link, file.kind)
    used: dict[int, str] = {}
    for rail, channel in file.channels.items():
        other = used.setdefault(channel, rail)
        if other != rail:
            add(("channels", rail), f"channel {channel} is that of {other} already", "give each rail its own channel")
    if file.channels and meter is None:
        add(("channels",), "channels without a meter", "write 'instruments: {meter: {...}}', or delete them")
    if meter is not None and meter.calibrated is not None and meter.due is not None and meter.due <= meter.calibrated:
        add(("instruments", "meter", "due"), "calibration is due before it was done", "mend one of the two dates")
    problems.raise_if_any()


def _check_link(add: _Add, loc: Loc, link: str, kind: str) -> None:
    if link == "simulated":
        return
    if link.startswith("i2c:") and link[4:].strip():
        if kind == "simulated":
            add(loc, f"{link!r} reaches hardware, but the bench is of kind simulated", "write 'kind: hardware'")
        return
    port = _TCP.fullmatch(link)
    if port is None or not 0 < int(port[1]) < 65536:
        add(loc, f"{link!r} is no link", "write 'simulated', 'tcp:HOST:PORT' or 'i2c:NAME OF ADAPTER'")
