"""A simulated reference meter with a scanner, at the level of SCPI text."""

from collections.abc import Callable, Collection
from functools import lru_cache
from typing import Annotated

from pydantic import Field

from cornerrun.bench.scpi.program import ProgramUnit, split_message
from cornerrun.bench.simulated.acquisition import Errors, Multimeter
from cornerrun.bench.simulated.instruments.meter_effects import EffectSettings, MeterEffects
from cornerrun.bench.simulated.instruments.text_faults import TextFaults
from cornerrun.bench.simulated.meter_commands import find
from cornerrun.bench.simulated.meter_engine import MeterEngine
from cornerrun.bench.simulated.status import Refusal, Status
from cornerrun.clock import Clock
from cornerrun.plan.fields import FileModel, Hertz, Ratio, Seconds, Volts, Whole

__all__ = ["SimulatedMeter", "SimulatedMeterSettings"]

_LONGEST_MESSAGE = 1 << 16
# A comma parts the fields of an identity, a semicolon the answers of a message (IEEE 488.2 sections 10.14 and 8.4.1).
IdentityField = Annotated[str, Field(min_length=1, max_length=72, pattern=r"^[ !#-+\--:<-~]*$")]


class SimulatedMeterSettings(FileModel):
    """The section ``meter`` of a simulation file: who the meter says it is, and how wrong it is.

    ``gain_error`` and ``offset`` are its true errors, which no reading reveals; they should lie inside the
    specification that the bench file states. ``noise`` is the standard deviation of a reading of one power-line cycle;
    it falls with the square root of the aperture. ``channel_offset`` is the standard deviation of the thermal voltages
    of the scanner's relays. ``hum`` is the amplitude of line-frequency pick-up, which whole cycles average away.
    ``standards`` are scanner channels on a known voltage, ``latency`` is what taking one message
    costs. ``effects`` and ``faults`` hold all that is off by default.
    """

    maker: IdentityField = "SIMULATED"
    model: IdentityField = "DMM-6 scanner"
    serial: IdentityField = "SIM0001"
    firmware: IdentityField = "1.0"
    line: Annotated[Hertz, Field(gt=0)] = 50.0
    gain_error: Ratio = 0.0
    offset: Volts = 0.0
    noise: Annotated[Volts, Field(ge=0)] = 1e-6
    channel_offset: Annotated[Volts, Field(ge=0)] = 0.0
    hum: Annotated[Volts, Field(ge=0)] = 0.0
    relay: Annotated[Seconds, Field(ge=0)] = 0.005
    latency: Annotated[Seconds, Field(ge=0)] = 0.0005
    seed: Annotated[Whole, Field(ge=0)] = 0
    standards: dict[Annotated[Whole, Field(ge=1, le=99_999)], Volts] = Field(default_factory=dict)
    effects: EffectSettings | None = None
    faults: TextFaults | None = None


@lru_cache(maxsize=256)
def _units(message: str) -> tuple[ProgramUnit, ...]:
    if len(message) > _LONGEST_MESSAGE:
        raise Refusal(-363)
    try:
        return split_message(message)
    except ValueError as error:
        raise Refusal(-102, str(error)[:60]) from error


class SimulatedMeter:
    """A text link with the meter at its other end.

    ``input_v(channel, start_s, aperture_s)`` gives the mean voltage at an input during an aperture, on ``clock``'s
    time; channel 0 is the meter's own terminals, KeyError an open input. ``channels`` lists those that the scanner has:
    any if None, no scanner if empty. Input is asked for once its time has passed.
    """

    def __init__(
        self,
        *,
        settings: SimulatedMeterSettings,
        clock: Clock,
        input_v: Callable[[int, float, float], float],
        channels: Collection[int] | None = None,
    ) -> None:
        effects = None
        if settings.effects is not None:
            today = clock.utc_now().date()
            effects = MeterEffects(settings.effects, seed=settings.seed, start_s=clock.now_s(), today=today)
        core = Multimeter(
            errors=Errors(
                gain_ratio=settings.gain_error,
                offset_v=settings.offset,
                noise_v=settings.noise,
                channel_offset_v=settings.channel_offset,
                hum_v=settings.hum,
                line_hz=settings.line,
                relay_s=settings.relay,
                seed=settings.seed,
            ),
            input_v=input_v,
            channels=channels,
            effects=effects,
        )
        identity = ",".join((settings.maker, settings.model, settings.serial, settings.firmware))
        self._engine = MeterEngine(identity=identity, core=core, clock=clock)
        self._clock = clock
        self._latency_s = settings.latency

    def write(self, message: str, /) -> None:
        engine = self._engine
        self._clock.charge(self._latency_s)
        if engine.has_answer:
            engine.drop_answer()
            engine.status.report(-410)
        engine.due_s = self._clock.now_s()
        try:
            for unit in _units(message):
                find(unit).act(engine, unit.parameters)
        except Refusal as refusal:
            # A unit that is refused takes the rest of its message with it (IEEE 488.2 section 6.1.6, from memory).
            engine.status.report(refusal.code, refusal.info)

    @property
    def status(self) -> Status:
        """The event register and the error queue."""
        return self._engine.status

    @status.setter
    def status(self, status: Status) -> None:
        self._engine.status = status

    def power_cycle(self) -> None:
        """Lose what the supply holds up, as a meter that is switched off and on."""
        self._engine.power_cycle()

    @property
    def has_answer(self) -> bool:
        """Whether a response waits, or will once its time has come."""
        return self._engine.has_answer

    def read(self, timeout_s: float, /) -> str:
        engine = self._engine
        deadline_s = self._clock.now_s() + timeout_s
        if not engine.has_answer:
            engine.status.report(-420)
        if not engine.has_answer or engine.due_s > deadline_s:
            self._clock.sleep_until(deadline_s, interruptible=False)
            raise TimeoutError("no answer in time")
        self._clock.sleep_until(engine.due_s, interruptible=False)
        return engine.take_answer()

    def clear(self) -> None:
        self._engine.drop_answer()

    def close(self) -> None:
        self._engine.drop_answer()
