"""A meter with a scanner that measures a list of channels, in their order, by one question."""

from cornerrun.bench.opening import open_text_link
from cornerrun.bench.ports import MeterIdentity, MeterReading
from cornerrun.errors import InstrumentError

RANGE_V, APERTURE_S, OVERLOAD_V = 10.0, 0.2, 9.9e37


class BenchSeven:
    def __init__(self, link, channels, clock):
        self.rails, self._started = tuple(channels), ()
        self._link, self._channels, self._clock = link, channels, clock

    def identify(self):
        maker, model, serial, firmware = self._ask("*IDN?", 2.0)
        return MeterIdentity(maker=maker, model=model, serial=serial, firmware=firmware)

    def start(self, rails):
        if lost := [rail for rail in rails if rail not in self.rails]:
            raise InstrumentError(f"bench-seven has no channel for {', '.join(lost)}; add it to `channels`")
        self._started = tuple(rails)
        return self._clock.now_s()

    def fetch(self):
        rails, self._started = self._started, ()
        if not rails:
            raise InstrumentError("bench-seven: nothing was started")
        channels = sorted(self._channels[rail] for rail in rails)
        answer = self._ask(f"MEAS:VOLT:DC? {RANGE_V},DEF,(@{','.join(map(str, channels))})", 2.0 + len(rails))
        volts = dict(zip(channels, answer, strict=True))
        return tuple(self._reading(rail, float(volts[self._channels[rail]])) for rail in rails)

    def close(self):
        self._link.close()

    def _ask(self, question, timeout_s):
        try:
            self._link.write(question)
            return self._link.read(timeout_s).split(",")
        except OSError as error:
            raise InstrumentError(f"bench-seven does not answer: {error}; see that it is on") from error

    def _reading(self, rail, reading_v):
        if not abs(reading_v) < OVERLOAD_V:  # NaN, too
            raise InstrumentError(f"bench-seven: {rail} is beyond {RANGE_V} V")
        return MeterReading(
            rail=rail, channel=self._channels[rail], read_at_s=self._clock.now_s(),
            reading_v=reading_v, range_v=RANGE_V, aperture_s=APERTURE_S,
        )  # fmt: skip


def build(instrument, surroundings):
    return BenchSeven(open_text_link(instrument, surroundings), surroundings.bench_file.channels, surroundings.clock)
