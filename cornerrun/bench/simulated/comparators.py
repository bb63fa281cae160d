"""The limits that a device compares its output with, each with its STATUS_VOUT bit.

Bits: QEMU ``include/hw/i2c/pmbus_device.h`` and Linux ``drivers/hwmon/pmbus/pmbus.h``.
"""

from dataclasses import dataclass

from cornerrun.bench.simulated.registers import Code

__all__ = ["FAULTS", "WARNINGS", "Comparator"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparator:
    """One comparator: the limit's register, its STATUS_VOUT bit, and its response's register if it has one."""

    limit: int
    bit: int
    is_high: bool
    response: int | None = None

    def is_beyond(self, voltage_v: float, level_v: float) -> bool:
        """Tell whether a voltage is beyond a level."""
        return voltage_v > level_v if self.is_high else voltage_v < level_v


FAULTS = (
    Comparator(limit=Code.VOUT_OV_FAULT_LIMIT, bit=0x80, is_high=True, response=Code.VOUT_OV_FAULT_RESPONSE),
    Comparator(limit=Code.VOUT_UV_FAULT_LIMIT, bit=0x10, is_high=False, response=Code.VOUT_UV_FAULT_RESPONSE),
)
WARNINGS = (
    Comparator(limit=Code.VOUT_OV_WARN_LIMIT, bit=0x40, is_high=True),
    Comparator(limit=Code.VOUT_UV_WARN_LIMIT, bit=0x20, is_high=False),
)
