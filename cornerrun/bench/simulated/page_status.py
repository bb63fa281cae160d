"""The status registers of one page: latched causes, live state, and the summary word made of them.

Bit positions: Linux ``drivers/hwmon/pmbus/pmbus.h`` and QEMU ``include/hw/i2c/pmbus_device.h``.
"""

from collections.abc import Callable, Mapping, MutableMapping

from cornerrun.bench.simulated.registers import Code

__all__ = ["LATCHED", "PageStatus"]

LATCHED = (
    Code.STATUS_VOUT,
    Code.STATUS_IOUT,
    Code.STATUS_TEMPERATURE,
    Code.STATUS_OTHER,
    Code.STATUS_MFR_SPECIFIC,
)

_VOUT_OV_FAULT = 0x80
_IOUT_OC_FAULT = 0x80
_VIN_UV_FAULT = 0x10


class PageStatus:
    """Keeps the status registers of a page in the page's own registers.

    ``common`` holds the registers that all pages share, STATUS_CML and STATUS_INPUT among them; whoever changes those
    calls `publish` of every page. ``alert`` is called when a bit is latched that was not.
    """

    def __init__(
        self, octets: MutableMapping[int, int], words: MutableMapping[int, int], common: Mapping[int, int]
    ) -> None:
        self.alert: Callable[[], None] | None = None
        self._octets = octets
        self._words = words
        self._common = common
        self.is_off = False
        self.is_power_good = True
        self.clear()

    def latch(self, code: int, bits: int) -> None:
        """Set bits of a status register; they stay until cleared."""
        before = self._octets[code]
        self._octets[code] = before | bits
        self.publish()
        if self.alert is not None and bits & ~before:
            self.alert()

    def drop(self, code: int, bits: int) -> None:
        """Clear bits of a status register, as writing ones to them does."""
        self._octets[code] &= ~bits
        self.publish()

    def clear(self) -> None:
        """Clear every latched bit of this page."""
        for code in LATCHED:
            self._octets[code] = 0
        self.publish()

    def publish(self) -> None:
        """Work out STATUS_BYTE and STATUS_WORD anew."""
        vout, iout, temperature, other, maker = (self._octets[code] for code in LATCHED)
        cml, input_ = self._common[Code.STATUS_CML], self._common[Code.STATUS_INPUT]
        # Bit 0: a cause that no other bit of the low byte names (Part II 17.1, from memory).
        unnamed = (vout & ~_VOUT_OV_FAULT) or (iout & ~_IOUT_OC_FAULT) or (input_ & ~_VIN_UV_FAULT) or maker or other
        word = (
            bool(vout) << 15
            | bool(iout) << 14
            | bool(input_) << 13
            | bool(maker) << 12
            | (not self.is_power_good) << 11
            | bool(other) << 9
            | self.is_off << 6
            | bool(vout & _VOUT_OV_FAULT) << 5
            | bool(iout & _IOUT_OC_FAULT) << 4
            | bool(input_ & _VIN_UV_FAULT) << 3
            | bool(temperature) << 2
            | bool(cml) << 1
            | bool(unnamed)
        )
        self._words[Code.STATUS_WORD] = word
        self._octets[Code.STATUS_BYTE] = word & 0xFF
