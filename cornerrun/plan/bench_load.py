"""A bench file as it is written -> the bench that every other room reads."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from cornerrun.plan.bench_file import SIMULATED, Alarm, BenchFile, Bus, InputPowerCommands, Watch
from cornerrun.plan.document import Document, load_document
from cornerrun.plan.fields import FileModel, Hertz, Name, Ratio, Seconds, Text, Whole
from cornerrun.plan.files import FormatNumber
from cornerrun.plan.instrument_file import ConditionText, InstrumentText
from cornerrun.plan.nearest import nearest, suggestion
from cornerrun.plan.nodes import Loc, ProblemList

__all__ = ["BenchText", "read_bench"]

_TCP = re.compile(r"tcp:(?:[^\s:\[\]]+|\[[0-9a-fA-F:.]+\]):([0-9]{1,5})")
_PLUGGED = re.compile(r"(?!(?:simulated|tcp|i2c):)[A-Za-z][A-Za-z0-9_-]*:\S.*")
_METER = "meter"
_Add = Callable[..., None]


class BusText(FileModel):
    """A bus and how to reach it."""

    link: Text = Field(examples=["simulated"])
    clock: Annotated[Hertz, Field(ge=1e3, le=5e6)] = 100e3
    pec: bool = True
    error_budget: Annotated[Ratio, Field(gt=0, lt=1)] = 0.05
    addresses: tuple[Annotated[Whole, Field(ge=0x08, le=0x77)], ...] = ()


class WatchText(FileModel):
    """How often every rail is read."""

    period: Annotated[Seconds, Field(gt=0, le=60)] = Field(examples=["100 ms"])


class AlarmText(FileModel):
    """What calls a person when a board is left off: a command and how long it may take."""

    command: Text = Field(examples=["./call_me.sh"])
    timeout: Annotated[Seconds, Field(gt=0, le=600)] = 30.0


class InputPowerText(FileModel):
    """What takes the board's input power away and gives it back: two commands and how long each may take."""

    off: Text = Field(examples=["./mains.sh off"])
    on: Text = Field(examples=["./mains.sh on"])
    timeout: Annotated[Seconds, Field(gt=0, le=600)] = 10.0


class BenchText(FileModel):
    """Where a plan is carried out."""

    format: FormatNumber = Field(examples=["1"])
    station: Text = Field(examples=["desk"])
    kind: Literal["simulated", "hardware"] = Field(examples=["simulated"])
    buses: dict[Name, BusText] = Field(default_factory=dict)
    instruments: dict[Name, InstrumentText | None] = Field(default_factory=dict)
    channels: dict[Name, Annotated[Whole, Field(ge=0, le=99_999)]] = Field(default_factory=dict)
    conditions: dict[Name, ConditionText] = Field(default_factory=dict)
    watch: WatchText | None = None
    alarm: AlarmText | None = None
    console: Text | None = Field(default=None, examples=["TCPIP::192.0.2.9::2001::SOCKET"])
    input_power: InputPowerText | None = None
    simulation: Text | None = None


def read_bench(path: Path) -> BenchFile:
    """Read a bench file.

    Raises:
        PlanProblems: every problem of the file.

    """
    document = load_document(path, BenchText, role="bench")
    _check(document)
    file, directory = document.model, path.parent.resolve()
    instruments = {n: item.instrument(n) for n, item in file.instruments.items() if item is not None}
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
        meter=instruments.get(_METER),
        channels=dict(file.channels),
        conditions={n: item.condition(n) for n, item in file.conditions.items()},
        watch=Watch() if file.watch is None else Watch(period_s=file.watch.period),
        simulation=None if file.simulation is None else directory / file.simulation,
        source=document.source,
        directory=directory,
        instruments={n: item for n, item in instruments.items() if n != _METER},
        console=file.console,
        input_power=None
        if file.input_power is None
        else InputPowerCommands(off=file.input_power.off, on=file.input_power.on, timeout_s=file.input_power.timeout),
        alarm=None if file.alarm is None else Alarm(command=file.alarm.command, timeout_s=file.alarm.timeout),
    )


def _check(document: Document[BenchText]) -> None:
    file, problems = document.model, ProblemList()

    def add(loc: Loc, came: str, advice: str, *, at_key: bool = False) -> None:
        problems.extend((document.problem(loc, came, advice, at_key=at_key),))

    instruments = {name: item for name, item in file.instruments.items() if item is not None}
    if _METER not in instruments and (near := nearest(_METER, instruments)) is not None:
        # Other instruments may have any name, but this one is most likely the meter.
        add(("instruments", near), f"unknown key {near!r}", f"did you mean {_METER!r}?", at_key=True)
        problems.raise_if_any()
    simulated: list[Loc] = [("buses", name, "link") for name, bus in file.buses.items() if bus.link == SIMULATED]
    simulated += [
        ("instruments", name, "resource")
        for name, item in instruments.items()
        if item.resource.partition(":")[0] == SIMULATED
    ]
    if file.console == SIMULATED:
        simulated.append(("console",))
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
    for name, item in instruments.items():
        _check_instrument(add, name, item)
        if name in file.buses:
            add(("instruments", name), f"{name!r} is a bus, too", "give the instrument a name of its own", at_key=True)
    _check_channels(add, file)
    for name, condition in file.conditions.items():
        loc = ("conditions", name, "instrument")
        if condition.instrument is not None and condition.instrument not in instruments:
            add(loc, f"no instrument is called {condition.instrument!r}", suggestion(condition.instrument, instruments))
    problems.raise_if_any()


def _check_instrument(add: _Add, name: str, item: InstrumentText) -> None:
    if item.calibrated is not None and item.due is not None and item.due <= item.calibrated:
        add(("instruments", name, "due"), "calibration is due before it was done", "mend one of the two dates")
    if name != _METER and item.references.channels():
        add(("instruments", name, "references"), "only a meter reads references", "write them at the meter")


def _check_channels(add: _Add, file: BenchText) -> None:
    meter = file.instruments.get(_METER)
    used: dict[int, str] = {}
    for rail, channel in file.channels.items():
        other = used.setdefault(channel, rail)
        if other != rail:
            add(("channels", rail), f"channel {channel} is that of {other} already", "give each rail its own channel")
    if file.channels and meter is None:
        add(("channels",), "channels without a meter", "write 'instruments: {meter: {...}}', or delete them")
    for reference in () if meter is None else meter.references.channels():
        loc = ("instruments", _METER, "references", reference.name.rpartition(" ")[2], "channel")
        other = used.setdefault(reference.channel, reference.name)
        if other != reference.name:
            add(loc, f"channel {reference.channel} is that of {other} already", "give it a channel of its own")
        elif not file.channels:
            add(loc, "a reference needs a scanner, and no rail has a channel", "write 'channels', or delete it")


def _check_link(add: _Add, loc: Loc, link: str, kind: str) -> None:
    if link == SIMULATED:
        return
    if link.startswith("i2c:") and link[4:].strip():
        if kind == "simulated":
            add(loc, f"{link!r} reaches hardware, but the bench is of kind simulated", "write 'kind: hardware'")
        return
    if _PLUGGED.fullmatch(link):
        return  # a driver that a package brings; whether it is installed is known when the bench is opened
    port = _TCP.fullmatch(link)
    if port is None or not 0 < int(port[1]) < 65536:
        add(loc, f"{link!r} is no link", "write 'simulated', 'tcp:HOST:PORT' or 'i2c:NAME OF ADAPTER'")
