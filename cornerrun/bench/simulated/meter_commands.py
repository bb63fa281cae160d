"""The commands of the simulated meter: a table of headers, and what each does to the meter."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from cornerrun.bench.scpi.program import Pattern, ProgramUnit
from cornerrun.bench.scpi.text import channel_list, parse_channel_list
from cornerrun.bench.simulated.acquisition import LEAST_NPLC, MOST_NPLC, OVER_RANGE, RANGES_V
from cornerrun.bench.simulated.instruments.engine import Parameters, real, switch
from cornerrun.bench.simulated.meter_engine import MeterEngine
from cornerrun.bench.simulated.status import OPERATION_COMPLETE, Refusal

__all__ = ["Command", "find"]

_MOST_COUNT = 1000
_MOST_DELAY_S = 3600.0
Act = Callable[[MeterEngine, Parameters], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Command:
    """A header and what it does; ``parameters`` is how many it takes, least and most."""

    pattern: Pattern
    is_query: bool
    act: Act
    parameters: tuple[int, int] = (0, 0)


def _channels(parameters: Parameters, position: int) -> tuple[int, ...]:
    if len(parameters) <= position:
        return ()
    try:
        return parse_channel_list(parameters[position])
    except ValueError as error:
        raise Refusal(-104, parameters[position][:20]) from error


def _range(text: str) -> float | None:
    if text.upper() in ("AUTO", "DEF", "DEFAULT"):
        return None
    wanted_v = abs(real(text, -RANGES_V[-1] * OVER_RANGE, RANGES_V[-1] * OVER_RANGE, "V"))
    return next((range_v for range_v in RANGES_V if range_v >= wanted_v), RANGES_V[-1])


def _configure(meter: MeterEngine, parameters: Parameters) -> None:
    given = list(parameters)
    channels = _channels((given.pop(),), 0) if given and given[-1].startswith("(") else ()
    range_v = _range(given[0]) if given else None
    for setting in meter.core.settings(channels):
        # CONFigure goes back to the default aperture, so that one set before it is lost (from memory).
        setting.range_v, setting.nplc = range_v, 10.0
    if channels:
        meter.core.scan_list = tuple(sorted(channels))
    meter.core.waits_for_trigger, meter.core.delay_s = False, 0.0
    meter.core.sample_count = meter.core.sweep_count = 1
    meter.forget()


def _configured(meter: MeterEngine, _: Parameters) -> None:
    range_v = meter.core.common.range_v
    meter.say(f'"VOLT:DC {"AUTO" if range_v is None else f"{range_v:+.8E}"}"')


def _measure(meter: MeterEngine, parameters: Parameters) -> None:
    _configure(meter, parameters)
    meter.read_now()


def _set_nplc(meter: MeterEngine, parameters: Parameters) -> None:
    nplc = 10.0 if parameters[0].upper() in ("DEF", "DEFAULT") else real(parameters[0], LEAST_NPLC, MOST_NPLC)
    for setting in meter.core.settings(_channels(parameters, 1)):
        setting.nplc = nplc


def _nplc(meter: MeterEngine, parameters: Parameters) -> None:
    channels = _channels(parameters, 0) or meter.core.scan_list or (0,)
    meter.say(",".join(f"{meter.core.of(channel).nplc:+.8E}" for channel in channels))


def _set_range(meter: MeterEngine, parameters: Parameters) -> None:
    range_v = _range(parameters[0])
    for setting in meter.core.settings(_channels(parameters, 1)):
        setting.range_v = range_v


def _range_held(meter: MeterEngine, parameters: Parameters) -> None:
    channels = _channels(parameters, 0) or meter.core.scan_list or (0,)
    meter.say(",".join(f"{meter.core.of(channel).range_v or RANGES_V[-1]:+.8E}" for channel in channels))


def _set_auto_range(meter: MeterEngine, parameters: Parameters) -> None:
    is_on = switch(parameters[0])
    for setting in meter.core.settings(_channels(parameters, 1)):
        setting.range_v = None if is_on else (setting.range_v or RANGES_V[-1])


def _scan(meter: MeterEngine, parameters: Parameters) -> None:
    channels = _channels(parameters, 0)
    # Taken in the order of the channels, whatever the order of the list (common practice, no source).
    meter.core.scan_list = tuple(sorted(set(meter.core.checked(channels))))
    meter.forget()


def _close_relay(meter: MeterEngine, parameters: Parameters) -> None:
    meter.core.close_relay(_channels(parameters, 0), meter.now_s)


def _open(meter: MeterEngine, parameters: Parameters) -> None:
    if meter.core.closed in meter.core.checked(_channels(parameters, 0)):
        meter.core.closed = None


def _open_all(meter: MeterEngine, _: Parameters) -> None:
    meter.core.checked(())
    meter.core.closed = None


def _is_closed(meter: MeterEngine, parameters: Parameters) -> None:
    channels = meter.core.checked(_channels(parameters, 0))
    meter.say(",".join(str(int(channel == meter.core.closed)) for channel in channels))


def _set_source(meter: MeterEngine, parameters: Parameters) -> None:
    source = parameters[0].upper()
    if source not in ("IMM", "IMMEDIATE", "BUS"):
        raise Refusal(-224, source[:20])
    meter.core.waits_for_trigger = source == "BUS"


def _set_mask(attribute: str) -> Act:
    def act(meter: MeterEngine, parameters: Parameters) -> None:
        setattr(meter.status, attribute, round(real(parameters[0], 0, 255)))

    return act


def _set_core(attribute: str, least: float, most: float, *, unit: str = "", whole: bool = False) -> Act:
    def act(meter: MeterEngine, parameters: Parameters) -> None:
        value = real(parameters[0], least, most, unit)
        setattr(meter.core, attribute, round(value) if whole else value)

    return act


def _set_autozero(meter: MeterEngine, parameters: Parameters) -> None:
    is_once = parameters[0].upper() == "ONCE"
    meter.core.has_autozero = not is_once and switch(parameters[0])
    if is_once and meter.core.effects is not None:
        meter.core.effects.zero(meter.now_s)


def _cycles(meter: MeterEngine, parameters: Parameters) -> None:
    effects = meter.core.effects
    channels = meter.core.checked(_channels(parameters, 0))
    meter.say(",".join("0" if effects is None else str(effects.count(channel)) for channel in channels))


def _set_line(meter: MeterEngine, parameters: Parameters) -> None:
    meter.core.line_hz = real(parameters[0], 45.0, 66.0, "HZ")


def _calibrated(attribute: str) -> Act:
    def act(meter: MeterEngine, _: Parameters) -> None:
        effects = meter.core.effects
        calibration = None if effects is None else effects.settings.calibration
        day: date | None = None if calibration is None else getattr(calibration, attribute)
        if day is None:
            raise Refusal(-241, "no date kept")
        meter.say(f"{day.year:+d},{day.month:+d},{day.day:+d}")

    return act


def _questionable(meter: MeterEngine, _: Parameters) -> None:
    effects = meter.core.effects
    # Bit 8 of QUEStionable is CALibration (SCPI-99 volume 1 section 9.4, from memory).
    meter.say(str(0x100 if effects is not None and effects.is_overdue else 0))


def _reset(meter: MeterEngine, _: Parameters) -> None:
    meter.core.reset()
    meter.forget()


def _entry(header: str, act: Act, *, parameters: tuple[int, int] = (0, 0)) -> Command:
    return Command(pattern=Pattern(header.rstrip("?")), is_query=header.endswith("?"), act=act, parameters=parameters)


_VOLT = "[SENSe:]VOLTage[:DC]"
_ONE, _ONE_AND_LIST, _LIST = (1, 1), (1, 2), (0, 1)
_TABLE: tuple[Command, ...] = (
    _entry("*IDN?", lambda meter, _: meter.say(meter.identity)),
    _entry("*RST", _reset),
    _entry("*CLS", lambda meter, _: meter.status.clear()),
    _entry("*ESR?", lambda meter, _: meter.say(str(meter.status.take_events()))),
    _entry("*ESE", _set_mask("event_mask"), parameters=_ONE),
    _entry("*ESE?", lambda meter, _: meter.say(str(meter.status.event_mask))),
    _entry("*SRE", _set_mask("service_mask"), parameters=_ONE),
    _entry("*SRE?", lambda meter, _: meter.say(str(meter.status.service_mask))),
    _entry("*STB?", lambda meter, _: meter.say(str(meter.status.byte(has_answer=meter.has_answer)))),
    _entry("*TST?", lambda meter, _: meter.say("0")),
    _entry("*OPC", lambda meter, _: meter.when_done(lambda: meter.status.note(OPERATION_COMPLETE))),
    _entry("*OPC?", lambda meter, _: meter.say_when_done(lambda: "1")),
    _entry("*WAI", lambda meter, _: meter.when_done(lambda: None)),
    _entry("*TRG", lambda meter, _: meter.trigger()),
    _entry("CONFigure[:VOLTage][:DC]", _configure, parameters=(0, 3)),
    _entry("CONFigure?", _configured),
    _entry("MEASure[:VOLTage][:DC]?", _measure, parameters=(0, 3)),
    _entry(f"{_VOLT}:NPLCycles", _set_nplc, parameters=_ONE_AND_LIST),
    _entry(f"{_VOLT}:NPLCycles?", _nplc, parameters=_LIST),
    _entry(f"{_VOLT}:RANGe[:UPPer]", _set_range, parameters=_ONE_AND_LIST),
    _entry(f"{_VOLT}:RANGe[:UPPer]?", _range_held, parameters=_LIST),
    _entry(f"{_VOLT}:RANGe:AUTO", _set_auto_range, parameters=_ONE_AND_LIST),
    _entry(f"{_VOLT}:ZERO:AUTO", _set_autozero, parameters=_ONE),
    _entry("CALibration:ZERO:AUTO", _set_autozero, parameters=_ONE),
    _entry("ROUTe:SCAN", _scan, parameters=_ONE),
    _entry("ROUTe:SCAN?", lambda meter, _: meter.say(channel_list(meter.core.scan_list))),
    _entry("ROUTe:CLOSe", _close_relay, parameters=_ONE),
    _entry("ROUTe:CLOSe?", _is_closed, parameters=_ONE),
    _entry("ROUTe:OPEN", _open, parameters=_ONE),
    _entry("ROUTe:OPEN:ALL", _open_all),
    _entry("TRIGger:SOURce", _set_source, parameters=_ONE),
    _entry("TRIGger:SOURce?", lambda meter, _: meter.say("BUS" if meter.core.waits_for_trigger else "IMM")),
    _entry("TRIGger:DELay", _set_core("delay_s", 0, _MOST_DELAY_S, unit="S"), parameters=_ONE),
    _entry("TRIGger:COUNt", _set_core("sweep_count", 1, _MOST_COUNT, whole=True), parameters=_ONE),
    _entry("SAMPle:COUNt", _set_core("sample_count", 1, _MOST_COUNT, whole=True), parameters=_ONE),
    _entry("INITiate[:IMMediate]", lambda meter, _: meter.initiate()),
    _entry("ABORt", lambda meter, _: meter.forget()),
    _entry("FETCh?", lambda meter, _: meter.fetch()),
    _entry("READ?", lambda meter, _: meter.read_now()),
    _entry("SYSTem:ERRor[:NEXT]?", lambda meter, _: meter.say(meter.status.next_error())),
    _entry("SYSTem:ERRor:COUNt?", lambda meter, _: meter.say(str(meter.status.count))),
    _entry("SYSTem:VERSion?", lambda meter, _: meter.say("1999.0")),
    _entry("SYSTem:LFRequency", _set_line, parameters=_ONE),
    _entry("SYSTem:LFRequency?", lambda meter, _: meter.say(f"{meter.core.line_hz:+.8E}")),
    _entry("DIAGnostic:RELay:CYCLes?", _cycles, parameters=_ONE),
    _entry("CALibration:DATE?", _calibrated("date")),
    _entry("CALibration:NDUE?", _calibrated("due")),
    _entry("STATus:QUEStionable:CONDition?", _questionable),
)


def find(unit: ProgramUnit) -> Command:
    """Find the command of a program unit; Refusal -113 if there is none."""
    for command in _TABLE:
        if command.is_query == unit.is_query and command.pattern.matches(unit.header):
            least, most = command.parameters
            if len(unit.parameters) < least:
                raise Refusal(-109)
            if len(unit.parameters) > most:
                raise Refusal(-108)
            return command
    raise Refusal(-113, unit.header[:40])
