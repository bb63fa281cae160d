"""A manager's own ADC: one conversion of each page a scan, whoever reads how often."""

from collections.abc import Callable

from cornerrun.bench.pmbus.formats import encode_linear11
from cornerrun.bench.simulated.model import AdcSettings
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.rail import converted_v, noise, noise_key

__all__ = ["Converter", "input_reading"]

_CURRENT_NOISE_RATIO = 0.002  # chosen
_INPUT_NOISE_V = 0.005  # chosen
_TEMPERATURE_NOISE_K = 0.1  # chosen


def input_reading(supply: Output, *, seed: int, device: str, scan_s: float, start_s: float) -> Callable[[float], int]:
    """Make what reads READ_VIN: one conversion of the input voltage a scan."""
    key = noise_key(seed, f"{device}\x1fvin")

    def read(now_s: float) -> int:
        index = int((now_s - start_s) // scan_s)
        voltage_v = supply.voltage_v(start_s + index * scan_s)
        return encode_linear11(voltage_v + _INPUT_NOISE_V * noise(key, index))

    return read


class Converter:
    """Reads one rail at the instants ``phase_s + n * scan_s``; between them it repeats the last word.

    Noise is a function of (seed, rail, n): asking more often, or in another order, changes nothing. A load behaves as
    a resistor that draws ``load_a`` at ``nominal_v`` (chosen).
    """

    def __init__(
        self,
        *,
        seed: int,
        rail: str,
        output: Output,
        settings: AdcSettings,
        step_v: float,
        scan_s: float,
        phase_s: float,
        load_a: float,
        nominal_v: float,
        temperature_degc: Callable[[float], float],
    ) -> None:
        self._keys = tuple(noise_key(seed, f"{rail}\x1f{channel}") for channel in ("vout", "iout", "temperature"))
        self._output = output
        self._settings = settings
        self._step_v = step_v
        self._lsb_v = settings.lsb or step_v
        self._scan_s = scan_s
        self._phase_s = phase_s
        self._load_a = load_a
        self._nominal_v = nominal_v
        self._temperature_degc = temperature_degc
        self._index = -1 << 62
        self._word = 0

    def vout_word(self, now_s: float) -> int:
        """Tell READ_VOUT."""
        index = int((now_s - self._phase_s) // self._scan_s)
        if index != self._index:
            self._word = self._convert(index)
            self._index = index
        return self._word

    def iout_word(self, now_s: float) -> int:
        """Tell READ_IOUT."""
        index, at_s = self._last(now_s)
        current_a = self._load_a * max(0.0, self._output.voltage_v(at_s)) / self._nominal_v
        return encode_linear11(current_a * (1.0 + _CURRENT_NOISE_RATIO * noise(self._keys[1], index)))

    def temperature_word(self, now_s: float) -> int:
        """Tell READ_TEMPERATURE_1."""
        index, at_s = self._last(now_s)
        return encode_linear11(self._temperature_degc(at_s) + _TEMPERATURE_NOISE_K * noise(self._keys[2], index))

    def _last(self, now_s: float) -> tuple[int, float]:
        index = int((now_s - self._phase_s) // self._scan_s)
        return index, self._phase_s + index * self._scan_s

    def _convert(self, index: int) -> int:
        settings = self._settings
        read_v = converted_v(
            self._output.voltage_v(self._phase_s + index * self._scan_s),
            noise_v=settings.noise * noise(self._keys[0], index) if settings.noise else 0.0,
            gain_error_ratio=settings.gain_error,
            offset_error_v=settings.offset_error,
            lsb_v=self._lsb_v,
        )
        return min(round(read_v / self._step_v), 0xFFFF)
