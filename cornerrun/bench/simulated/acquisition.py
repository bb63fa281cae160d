"""How a simulated meter reads: when each channel is sampled, and how wrong each reading is."""

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace

from cornerrun.bench.simulated.draws import normal, uniform
from cornerrun.bench.simulated.instruments.meter_effects import MeterEffects, averaged_sine
from cornerrun.bench.simulated.status import Refusal

__all__ = ["Channel", "Errors", "Multimeter", "Sweep"]

RANGES_V = (0.1, 1.0, 10.0, 100.0, 1000.0)
OVER_RANGE = 1.2  # six-digit meters read 20 % beyond a range's name (common practice, no source)
OVERLOAD = 9.9e37
LEAST_NPLC, MOST_NPLC = 0.02, 100.0
_RESET_NPLC = 10.0
_MOST_READINGS = 10_000
_RESOLUTION = 1e-7  # share of range at 10 power-line cycles and beyond: chosen, six and a half digits
_TERMINALS = 0  # the meter's own input, behind no scanner


@dataclass(frozen=True, kw_only=True, slots=True)
class Errors:
    """The true errors of a meter; `cornerrun.bench.simulated.meter.SimulatedMeterSettings` says what each means."""

    gain_ratio: float
    offset_v: float
    noise_v: float
    channel_offset_v: float
    hum_v: float
    line_hz: float
    relay_s: float
    seed: int


@dataclass(kw_only=True, slots=True)
class Channel:
    """How a channel is read: ``range_v`` None is auto-ranging."""

    range_v: float | None = None
    nplc: float = _RESET_NPLC


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """One reading to be: when its relay closed, when its aperture opens, and how it is set."""

    channel: int
    start_s: float
    aperture_s: float
    range_v: float | None
    nplc: float
    closed_s: float = -math.inf
    is_zeroed: bool = True
    makes_contact: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Sweep:
    """The readings of one acquisition; ``done_s`` is when the last aperture has closed."""

    samples: tuple[Sample, ...]
    done_s: float


@dataclass(kw_only=True)
class Multimeter:
    """A meter with a scanner: settings, relays and sampling; knows nothing of text.

    ``input_v(channel, start_s, aperture_s)`` is the mean voltage there during an aperture; KeyError is an open input.
    ``channels`` are those that the scanner has: none at all without a scanner, any if None. ``line_hz`` is the line
    frequency that the meter believes in; ``effects`` None leaves out all that is switched off by default.
    """

    errors: Errors
    input_v: Callable[[int, float, float], float]
    channels: Collection[int] | None
    common: Channel = field(default_factory=Channel)
    single: dict[int, Channel] = field(default_factory=dict)
    scan_list: tuple[int, ...] = ()
    closed: int | None = None
    has_autozero: bool = True
    waits_for_trigger: bool = False
    delay_s: float = 0.0
    sample_count: int = 1
    sweep_count: int = 1
    line_hz: float = 0.0
    effects: MeterEffects | None = None
    _taken: int = 0
    _closed_s: float = -math.inf
    _makes_contact: bool = True

    def __post_init__(self) -> None:
        self.line_hz = self.line_hz or self.errors.line_hz

    def reset(self) -> None:
        """Go to the state of ``*RST``: auto-ranging, 10 power-line cycles, all relays open."""
        self.common, self.single = Channel(), {}
        self.scan_list, self.closed = (), None
        self.has_autozero, self.waits_for_trigger = True, False
        self.delay_s, self.sample_count, self.sweep_count = 0.0, 1, 1

    def checked(self, channels: Sequence[int]) -> tuple[int, ...]:
        """Return channels if the scanner has them all; Refusal if not."""
        if self.channels is not None and not self.channels:
            raise Refusal(-241, "no scanner")
        for channel in channels:
            if channel < 1 or (self.channels is not None and channel not in self.channels):
                raise Refusal(-222, f"no channel {channel}")
        return tuple(channels)

    def settings(self, channels: Sequence[int] = ()) -> list[Channel]:
        """List what a setting without a channel list, or with one, applies to."""
        if not channels:
            return [self.common, *self.single.values()]
        return [self.single.setdefault(channel, replace(self.common)) for channel in self.checked(channels)]

    def of(self, channel: int) -> Channel:
        """Tell how a channel is read."""
        return self.single.get(channel, self.common)

    def close_relay(self, channels: Sequence[int], now_s: float) -> None:
        """Close one channel. Two at once would tie rails together: refused."""
        wanted = self.checked(channels)
        if len(wanted) != 1 or self.closed not in (None, wanted[0]):
            raise Refusal(-221, "one channel at a time; open the other first")
        if self.closed is None:
            self._close(wanted[0], now_s)
        self.closed = wanted[0]

    def sweep(self, now_s: float) -> Sweep:
        """Lay out an acquisition that starts now."""
        order = self.scan_list or (self.closed if self.closed is not None else _TERMINALS,) * self.sample_count
        if len(order) * self.sweep_count > _MOST_READINGS:
            raise Refusal(-221, "more readings than memory")
        samples: list[Sample] = []
        at_s, before = now_s, self.closed
        range_change_s = 0.0 if self.effects is None else self.effects.settings.range_change
        range_v = self.of(order[0]).range_v if order else None
        for channel in order * self.sweep_count:
            setting = self.of(channel)
            aperture_s = setting.nplc / self.line_hz
            if self.scan_list and channel != before:
                self._close(channel, at_s)
                at_s += self.errors.relay_s
            if range_change_s and (setting.range_v != range_v or setting.range_v is None):
                at_s += range_change_s  # auto-ranging tries a range each time (chosen)
                range_v = setting.range_v
            at_s += self.delay_s
            samples.append(
                Sample(
                    channel=channel,
                    start_s=at_s,
                    aperture_s=aperture_s,
                    range_v=setting.range_v,
                    nplc=setting.nplc,
                    closed_s=self._closed_s,
                    is_zeroed=self.has_autozero,
                    makes_contact=self._makes_contact,
                )
            )
            at_s += aperture_s * (2 if self.has_autozero else 1)
            before = channel
        if self.scan_list:
            self.closed = None
        return Sweep(samples=tuple(samples), done_s=at_s)

    def read(self, sample: Sample) -> float:
        """Make the reading of a sample whose time has passed."""
        index, self._taken = self._taken, self._taken + 1
        errors, effects = self.errors, self.effects
        try:
            input_v = self.input_v(sample.channel, sample.start_s, sample.aperture_s)
        except KeyError:
            input_v = 0.0
        if effects is not None:
            input_v = effects.seen_v(sample, input_v) + effects.pick_up_v(sample, index)
        value = input_v * (1.0 + errors.gain_ratio) + errors.offset_v
        if errors.channel_offset_v and sample.channel != _TERMINALS:
            value += errors.channel_offset_v * normal("relay", errors.seed, sample.channel)
        if errors.noise_v:
            noise_v = errors.noise_v / math.sqrt(sample.nplc)
            value += noise_v * normal("noise", errors.seed, sample.channel, index)
        if errors.hum_v:
            cycles = sample.nplc
            if effects is not None and effects.settings.mains is not None:
                cycles = sample.aperture_s * effects.settings.mains
            value += errors.hum_v * averaged_sine(cycles, uniform("hum", errors.seed, sample.channel, index))
        range_v = sample.range_v or next((r for r in RANGES_V if abs(value) <= r * OVER_RANGE), RANGES_V[-1])
        if effects is not None:
            value += input_v * effects.gain_error_ratio(sample, range_v) + effects.offset_v(sample, range_v)
        if abs(value) > range_v * OVER_RANGE:
            return math.copysign(OVERLOAD, value)
        step_v = range_v * _RESOLUTION * max(1.0, math.sqrt(_RESET_NPLC / sample.nplc))
        return round(value / step_v) * step_v

    def _close(self, channel: int, at_s: float) -> None:
        self._closed_s = at_s
        if self.effects is not None:
            self._makes_contact = self.effects.close(channel)
