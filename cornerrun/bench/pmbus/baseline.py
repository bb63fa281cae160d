"""The registers as found before a run, whether a run may start from them, and the raw writes that bring them back."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.operation import Side, margin_of
from cornerrun.bench.pmbus.output import Look, Output
from cornerrun.bench.pmbus.tightening import LIMITS
from cornerrun.bench.ports import Baseline, RawWrite, RegisterValue
from cornerrun.errors import DeviceRefused, FormatError, NotAtNominal
from cornerrun.units import Kind, show

__all__ = [
    "CONFIGURATION",
    "HOMING",
    "ONLY_RECORDED",
    "raw_writes",
    "read_registers",
    "refuse_unless_at_nominal",
    "tolerance_v",
]

# In the order in which they are put back: what takes an output home comes first.
HOMING = ("OPERATION", "VOUT_COMMAND", "VOUT_TRIM")
CONFIGURATION = (
    "VOUT_MARGIN_HIGH",
    "VOUT_MARGIN_LOW",
    "VOUT_MIN",
    "VOUT_TRANSITION_RATE",
    "VOUT_OV_WARN_LIMIT",
    "VOUT_UV_WARN_LIMIT",
    "VOUT_UV_FAULT_LIMIT",
    "POWER_GOOD_ON",
    "POWER_GOOD_OFF",
)
_Stage = Literal["nominal", "configuration", "page"]
ONLY_RECORDED = ("ON_OFF_CONFIG", "VOUT_MODE")
_ADVICE = "run `cornerrun to-nominal` first, or bring the board to nominal by hand"


def read_registers(devices: Iterable[ManagedDevice], outputs: Iterable[Output]) -> tuple[RegisterValue, ...]:
    """Read every register that a run may change, and those that explain them."""
    values = []
    for device in devices:
        if device.page_found is not None:
            values.append(_value(device, None, "PAGE", bytes((device.page_found,))))
        if device.has("WRITE_PROTECT"):
            values.append(
                _value(device, None, "WRITE_PROTECT", device.paged.read_data(None, COMMANDS["WRITE_PROTECT"]))
            )
    for output in outputs:
        device = output.device
        found = device.read_critical(output.page, (*HOMING, *CONFIGURATION, *LIMITS, *ONLY_RECORDED))
        for name, number in found.items():
            data = number.to_bytes(2 if COMMANDS[name].is_word else 1, "little")
            values.append(_value(device, output.page, name, data))
    return tuple(values)


def tolerance_v(output: Output) -> float:
    """How far from nominal a rail's own reading may lie to count as being there: accuracy and settle band together."""
    rail = output.rail
    return rail.nominal_v * (rail.accuracy_ratio + rail.settle.band_ratio)


def refuse_unless_at_nominal(looks: Mapping[Output, Look], voltages_v: Mapping[str, float]) -> None:
    """Refuse to start from a board that is off, margined, or away from nominal; all rails are named together.

    Raises:
        DeviceRefused: an output is off.
        NotAtNominal: OPERATION selects a margin, VOUT_COMMAND and VOUT_TRIM ask for something else than nominal, or the
            output is not there.

    """
    off = [output.rail.name for output, look in looks.items() if look.is_off]
    if off:
        raise DeviceRefused(
            f"unit is off: {', '.join(off)} (STATUS_WORD says OFF); turn the board on, and see to its faults, before a "
            "run"
        )
    reasons: list[str] = []
    for output, look in looks.items():
        reasons.extend(_why_not_nominal(output, look, voltages_v[output.rail.name]))
    if reasons:
        raise NotAtNominal(f"the board is not at nominal: {'; '.join(reasons)}. Nothing was moved; {_ADVICE}")


def raw_writes(
    baseline: Baseline, outputs: Mapping[str, Output], return_order: Sequence[Sequence[str]]
) -> tuple[RawWrite, ...]:
    """Turn a baseline into the writes that bring it back; rails go home in the order given, all others after.

    Limits that were tightened come back last, after every margin word; but before those that they would not let in.
    """
    values = {(value.bus, value.address, value.page, value.command): value for value in baseline.registers}
    ordered = dict.fromkeys(rail for burst in (*return_order, tuple(outputs)) for rail in burst if rail in outputs)
    writes: dict[_Stage, list[RawWrite]] = {"nominal": [], "configuration": [], "page": []}
    last: list[RawWrite] = []
    for rail in ordered:
        device, page = outputs[rail].device, outputs[rail].page
        held = {
            name: value
            for name in (*HOMING, *CONFIGURATION, *LIMITS)
            if (value := values.get((device.bus, device.address, page, COMMANDS[name].code))) is not None
        }
        writes["nominal"] += [_write("nominal", held[name], (rail,)) for name in HOMING if name in held]
        words = [_write("configuration", held[name], (rail,)) for name in CONFIGURATION if name in held]
        limits = [_write("configuration", held[name], (rail,)) for name in LIMITS if name in held]
        if _margin_is_beyond(outputs[rail], held.get("VOUT_MARGIN_HIGH")):
            writes["configuration"] += [*limits, *words]
        else:
            writes["configuration"] += words
            last += limits
    writes["configuration"] += last
    for device in dict.fromkeys(output.device for output in outputs.values()):
        value = values.get((device.bus, device.address, None, COMMANDS["PAGE"].code))
        if value is not None:
            rails = tuple(rail for rail, output in outputs.items() if output.device is device)
            writes["page"].append(_write("page", value, rails))
    return (*writes["nominal"], *writes["configuration"], *writes["page"])


def _margin_is_beyond(output: Output, margin: RegisterValue | None) -> bool:
    """Whether a margin word, as found, lies above the hard limit, so that a tightened VOUT_MAX may refuse it."""
    if margin is None:
        return False
    try:
        number = output.format.decode("VOUT_MARGIN_HIGH", int.from_bytes(margin.data, "little"))
    except FormatError:
        return True
    volts = number * output.command_v if output.format.is_ratio("VOUT_MARGIN_HIGH") else number
    return not volts + output.trim_v <= output.rail.hard_limits.max_v


def _write(stage: _Stage, value: RegisterValue, rails: tuple[str, ...]) -> RawWrite:
    return RawWrite(
        stage=stage,
        bus=value.bus,
        address=value.address,
        page=value.page,
        command=value.command,
        data=value.data,
        rails=rails,
    )


def _value(device: ManagedDevice, page: int | None, name: str, data: bytes) -> RegisterValue:
    return RegisterValue(bus=device.bus, address=device.address, page=page, command=COMMANDS[name].code, data=data)


def _why_not_nominal(output: Output, look: Look, reading_v: float) -> Iterable[str]:
    rail = output.rail
    side = margin_of(look.operation)
    if side is not Side.NOMINAL:
        selected = f"margin {side.name.lower()}" if side else "an external source"
        yield f"{rail.name}: OPERATION 0x{look.operation:02X} selects {selected}"
        return
    if rail.is_commanded:
        asked_v = output.volts_asked()
        step_v = output.format.step("VOUT_COMMAND", asked_v)
        if abs(asked_v - rail.nominal_v) > rail.accuracy_ratio * rail.nominal_v + step_v:
            yield (
                f"{rail.name}: VOUT_COMMAND and VOUT_TRIM ask for {show(asked_v, Kind.VOLTAGE)}, the plan's nominal is "
                f"{show(rail.nominal_v, Kind.VOLTAGE)}"
            )
            return
        low_v, high_v = rail.nominal_v - tolerance_v(output), rail.nominal_v + tolerance_v(output)
    else:
        # Never moved: where it stands is the board's affair, as long as it stands within its limits.
        low_v, high_v = rail.hard_limits.min_v, rail.hard_limits.max_v
    if not low_v <= reading_v <= high_v:
        yield (
            f"{rail.name}: reads {show(reading_v, Kind.VOLTAGE)}, outside {show(low_v, Kind.VOLTAGE)} to "
            f"{show(high_v, Kind.VOLTAGE)}"
        )
