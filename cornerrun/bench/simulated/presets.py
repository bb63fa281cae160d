"""What the registers of a simulated manager hold after power-up."""

from collections.abc import Mapping

from cornerrun.bench.pmbus.formats import Direct, VoutMode, encode_linear11
from cornerrun.bench.simulated.model import ManagerSettings, RailSettings
from cornerrun.bench.simulated.registers import BY_NAME, Code, Shape
from cornerrun.bench.simulated.vout_words import RATIOS, mode_byte, reading_word, vout_mode

__all__ = ["common_presets", "format_of", "page_presets", "text_presets", "unused_page", "unused_rail"]

_LIMIT_RATIOS = {
    Code.VOUT_MAX: ("vout_max", 1.20),
    Code.VOUT_OV_FAULT_LIMIT: ("ov_fault", 1.15),
    Code.VOUT_OV_WARN_LIMIT: ("ov_warn", 1.12),
    Code.VOUT_UV_WARN_LIMIT: ("uv_warn", 0.88),
    Code.VOUT_UV_FAULT_LIMIT: ("uv_fault", 0.85),
    Code.POWER_GOOD_ON: ("power_good_on", 0.90),
    Code.POWER_GOOD_OFF: ("power_good_off", 0.86),
    Code.VOUT_MIN: ("vout_min", 0.50),
}
_ON = 0x80
_OBEYS_OPERATION_ONLY = 0x1A  # bits 4, 3 and 1: needs a command to power up, obeys OPERATION, not the CONTROL pin
_SHUT_DOWN_AND_LATCH = 0x80


def format_of(manager: ManagerSettings) -> VoutMode:
    """Tell the format of a manager's output-voltage words."""
    direct = manager.direct
    return vout_mode(
        format=manager.format,
        exponent=manager.exponent,
        direct=None if direct is None else Direct(direct.m, direct.b, direct.r),
        is_relative=manager.relative,
    )


def page_presets(manager: ManagerSettings, rail: RailSettings) -> dict[int, int]:
    """Tell the words and bytes of a page that makes a rail, by command code."""
    mode = format_of(manager)

    def word(voltage_v: float, *, is_ratio: bool = False) -> int:
        number = voltage_v / rail.nominal if is_ratio and mode.is_relative else voltage_v
        return reading_word(mode, number)

    limits = {
        code: rail.nominal * ratio if (stated_v := getattr(rail.limits, name)) is None else stated_v
        for code, (name, ratio) in _LIMIT_RATIOS.items()
    }
    presets = {
        Code.OPERATION: _ON,
        Code.ON_OFF_CONFIG: _OBEYS_OPERATION_ONLY,
        Code.VOUT_MODE: mode_byte(mode),
        Code.VOUT_COMMAND: word(rail.nominal),
        # Zero volts are no zero word where DIRECT has an offset.
        Code.VOUT_TRIM: mode.encode(0.0, signed=True),
        Code.VOUT_CAL_OFFSET: mode.encode(0.0, signed=True),
        Code.VOUT_MARGIN_HIGH: word(rail.nominal * (1.0 + rail.margin), is_ratio=True),
        Code.VOUT_MARGIN_LOW: word(rail.nominal * (1.0 - rail.margin), is_ratio=True),
        Code.VOUT_TRANSITION_RATE: encode_linear11(min(rail.slew * 1e-3, 1023.0)),  # mV/us (Part II 13.8, from memory)
        Code.VOUT_OV_FAULT_RESPONSE: _SHUT_DOWN_AND_LATCH,
        Code.VOUT_UV_FAULT_RESPONSE: _SHUT_DOWN_AND_LATCH,
        Code.IOUT_OC_FAULT_LIMIT: encode_linear11(rail.load * 2.0),
        Code.IOUT_OC_WARN_LIMIT: encode_linear11(rail.load * 1.6),
        Code.OT_FAULT_LIMIT: encode_linear11(125.0),
        Code.OT_WARN_LIMIT: encode_linear11(105.0),
        **{code: word(voltage_v, is_ratio=code in RATIOS) for code, voltage_v in limits.items()},
    }
    return presets | _named(rail.registers)


def unused_rail(name: str) -> RailSettings:
    """Make up what stands for a rail on a page that makes none."""
    return RailSettings.model_validate({"name": name, "nominal": "1 V", "adc": {"noise": "0 V"}})


def unused_page(manager: ManagerSettings) -> dict[int, int]:
    """Tell the words and bytes of a page that makes no rail: all zero, and off."""
    presets = page_presets(manager, unused_rail("unused"))
    kept = (Code.ON_OFF_CONFIG, Code.VOUT_MODE, Code.VOUT_OV_FAULT_RESPONSE, Code.VOUT_UV_FAULT_RESPONSE)
    return dict.fromkeys(presets, 0) | {code: presets[code] for code in kept}


def common_presets(manager: ManagerSettings) -> dict[int, int]:
    """Tell the bytes that all pages share, by command code."""
    return {
        Code.PAGE: 0,
        Code.WRITE_PROTECT: 0,
        # PEC, 400 kHz, alert line (bits 7 and 4: pmbus.h; bits 6:5 from memory)
        Code.CAPABILITY: 0x30 if manager.pec == "none" else 0xB0,
        Code.STATUS_INPUT: 0,
        Code.STATUS_CML: 0,
        Code.PMBUS_REVISION: 0x33,  # 1.3 of both parts
        **_named(manager.registers),
    }


def text_presets(manager: ManagerSettings) -> Mapping[int, bytes]:
    """Tell the texts of a manager, by command code."""
    identity = manager.identity
    return {
        Code.MFR_ID: identity.maker.encode("ascii"),
        Code.MFR_MODEL: identity.model.encode("ascii"),
        Code.MFR_REVISION: identity.revision.encode("ascii"),
        Code.MFR_LOCATION: identity.location.encode("ascii"),
        Code.MFR_DATE: identity.date.encode("ascii"),
        Code.MFR_SERIAL: identity.serial.encode("ascii"),
    }


def _named(registers: Mapping[str, int]) -> dict[int, int]:
    return {
        register.code: value & (0xFF if register.shape is Shape.BYTE else 0xFFFF)
        for register, value in ((BY_NAME[name.upper()], value) for name, value in registers.items())
    }
