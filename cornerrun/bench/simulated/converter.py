"""A manager's own ADC: one conversion of each page a scan, whoever reads how often."""

from collections.abc import Callable

from cornerrun.bench.pmbus.formats import VoutKind, VoutMode, encode_linear11
from cornerrun.bench.simulated.model import AdcSettings
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.rail import converted_v, noise, noise_key
from cornerrun.bench.simulated.vout_words import reading_word

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

    Noise is a function of (seed, rail, n): asking more often, or in another order, changes nothing.
    """

    def __init__(
        self,
        *,
        seed: int,
        rail: str,
        output: Output,
        settings: AdcSettings,
        mode: VoutMode,
        scan_s: float,
        phase_s: float,
        current_a: Callable[[float], float],
        nominal_v: float,
        temperature_degc: Callable[[float], float],
    ) -> None:
        self._keys = tuple(noise_key(seed, f"{rail}\x1f{channel}") for channel in ("vout", "iout", "temperature"))
        self._output = output
        self._settings = settings
        self._mode = mode
        # Only plain linear words are worth a short cut.
        self._step_v = 2.0**mode.parameter if mode.kind is VoutKind.LINEAR else None
        self._lsb_v = settings.lsb or mode.step(nominal_v)
        self._scan_s = scan_s
        self._phase_s = phase_s
        self._current_a = current_a
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

    def reading_v(self, now_s: float) -> float:
        """Tell what READ_VOUT says, in volts."""
        return self._mode.decode(self.vout_word(now_s))

    def next_s(self, after_s: float) -> float:
        """Tell when the next conversion is due after a time."""
        index = int((after_s - self._phase_s) // self._scan_s) + 1
        due_s = self._phase_s + index * self._scan_s
        return due_s if due_s > after_s else due_s + self._scan_s

    def reach_v(self, voltage_v: float) -> float:
        """Tell how far a reading can lie from a voltage, for all that counts: six standard deviations of noise."""
        settings = self._settings
        errors_v = abs(settings.gain_error * voltage_v) + abs(settings.offset_error) + 6.0 * settings.noise
        return errors_v + self._lsb_v + 0.5 * self._output.ripple_v

    def iout_word(self, now_s: float) -> int:
        """Tell READ_IOUT."""
        index, at_s = self._last(now_s)
        return encode_linear11(self._current_a(at_s) * (1.0 + _CURRENT_NOISE_RATIO * noise(self._keys[1], index)))

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
            self._output.sampled_v(self._phase_s + index * self._scan_s),
            noise_v=settings.noise * noise(self._keys[0], index) if settings.noise else 0.0,
            gain_error_ratio=settings.gain_error,
            offset_error_v=settings.offset_error,
            lsb_v=self._lsb_v,
        )
        step_v = self._step_v
        return min(round(read_v / step_v), 0xFFFF) if step_v is not None else reading_word(self._mode, read_v)
