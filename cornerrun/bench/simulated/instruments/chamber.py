"""A simulated climatic chamber: ramp, overshoot, soak, door."""

import math
from collections import deque
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from cornerrun.bench.simulated.draws import normal
from cornerrun.bench.simulated.instruments.heat import Air, Leg, begin_leg, damping_of
from cornerrun.bench.simulated.instruments.identity import InstrumentSettings
from cornerrun.bench.simulated.status import Refusal
from cornerrun.clock import Clock
from cornerrun.plan.fields import Degrees, FileModel, KelvinsPerSecond, Ratio, Seconds, refusal

__all__ = ["Chamber", "ChamberSettings", "DoorOpening"]

_REMEMBERED_LEGS = 64  # chosen: who looks back looks back over one scan of an ADC
_PER_MINUTE = 60.0
PositiveSeconds = Annotated[Seconds, Field(gt=0)]


class DoorOpening(FileModel):
    """Somebody opens the door ``at`` a time after the start of the bench, and closes it after ``lasts``."""

    at: Annotated[Seconds, Field(ge=0)]
    lasts: PositiveSeconds = 30.0


class ChamberSettings(InstrumentSettings):
    """The section ``chamber`` of a simulation file: what the board stands in.

    The setpoint moves no faster than ``ramp``; the air follows it with ``time_constant`` and, if it overshoots, by
    ``overshoot`` of a step; the board follows the air with ``soak``. Switched off, or with the door open, the air goes
    to ``room`` with the time constant ``insulation`` or ``door``. ``sensor_noise`` is that of its own thermometers.
    """

    model: str = "chamber"
    start: Degrees = 25.0
    room: Degrees = 23.0
    lowest: Degrees = -70.0
    highest: Degrees = 180.0
    ramp: Annotated[KelvinsPerSecond, Field(gt=0)] = 3.0 / _PER_MINUTE
    time_constant: PositiveSeconds = 60.0
    overshoot: Annotated[Ratio, Field(ge=0, lt=0.9)] = 0.0
    soak: Annotated[Seconds, Field(ge=0)] = 300.0
    insulation: PositiveSeconds = 3600.0
    door: PositiveSeconds = 20.0
    sensor_noise: Annotated[Degrees, Field(ge=0)] = 0.02
    band: Annotated[Degrees, Field(gt=0)] = 0.5
    door_openings: tuple[DoorOpening, ...] = ()

    @model_validator(mode="after")
    def _has_a_range(self) -> Self:
        if not self.lowest <= self.start <= self.highest:
            raise refusal("'start' lies outside 'lowest' and 'highest'", "widen the range, or start inside it")
        return self


class Chamber:
    """Where setpoint, air and product are at any time; what is planned happens as time passes."""

    def __init__(self, settings: ChamberSettings, clock: Clock, *, seed: int = 0) -> None:
        self.settings = settings
        self.is_on = True
        self.is_door_open = False
        self.is_tripped = False
        self.target_degc = settings.start
        self.ramp_k_per_s = settings.ramp
        self.guard_degc = (settings.lowest, settings.highest)
        self._clock = clock
        self._seed = seed
        self._looks = 0
        damping = damping_of(settings.overshoot) if settings.overshoot else None
        self._driven = Air(time_constant_s=settings.time_constant, damping=damping)
        self._shut = Air(time_constant_s=settings.insulation)
        self._open = Air(time_constant_s=settings.door)
        now_s = clock.now_s()
        self._ramp_end_s = math.inf
        self._held_degc: float | None = None
        doors = [(now_s + item.at, now_s + item.at + item.lasts) for item in settings.door_openings]
        self._door_events = deque(sorted([(o, True) for o, _ in doors] + [(c, False) for _, c in doors]))
        self._legs: deque[Leg] = deque(maxlen=_REMEMBERED_LEGS)
        self._lead(now_s, settings.start, 0.0, self._driven, (settings.start, 0.0, settings.start))

    def refresh(self) -> None:
        """Carry out what has become due: the end of a ramp, the door, the guard."""
        self._now_s()

    def go(self, target_degc: float) -> None:
        """Head for a temperature, the door's state and the ramp permitting.

        Raises:
            Refusal: it lies outside the chamber's range.

        """
        if not self.settings.lowest <= target_degc <= self.settings.highest:
            raise Refusal(-222)
        now_s = self._now_s()
        self.target_degc = target_degc
        self._change(now_s)

    def switch(self, is_on: bool) -> None:
        """Switch heating and cooling on or off; what tripped stays off until it is cleared."""
        if is_on and self.is_tripped:
            raise Refusal(-221, "protection has tripped")
        now_s = self._now_s()
        if is_on and not self.is_on:
            # The ramp begins where the air is.
            self._lead(now_s, self.air_at(now_s), 0.0, self._driven)
        self.is_on = is_on
        self._change(now_s)

    def set_ramp(self, ramp_k_per_s: float) -> None:
        """Change how fast the setpoint moves."""
        now_s = self._now_s()
        self.ramp_k_per_s = min(ramp_k_per_s, self.settings.ramp)
        self._change(now_s)

    def air_at(self, at_s: float) -> float:
        """Tell the temperature of the air."""
        return self._leg(at_s).air_at(at_s)

    def voltage_v(self, at_s: float, /) -> float:
        """Tell the temperature of the board; named as that of an output, whose place it takes."""
        self._now_s()
        return self._leg(at_s).product_at(at_s)

    def read(self, what: Literal["air", "product"] = "product") -> float:
        """Read one of the chamber's own thermometers."""
        now_s = self._now_s()
        leg = self._leg(now_s)
        self._looks += 1
        noise_k = self.settings.sensor_noise
        noise_k = noise_k * normal("chamber", self._seed, self._looks) if noise_k else 0.0
        return (leg.air_at(now_s) if what == "air" else leg.product_at(now_s)) + noise_k

    def setpoint_degc(self) -> float:
        """Tell where the ramp is."""
        now_s = self._now_s()
        return self._leg(now_s).setpoint_at(now_s)

    def is_ramping(self) -> bool:
        """Whether the setpoint still moves."""
        self._now_s()
        return math.isfinite(self._ramp_end_s)

    def has_settled(self) -> bool:
        """Whether setpoint, air and board are at the target, within the band."""
        now_s = self._now_s()
        leg = self._leg(now_s)
        if self.is_ramping() or self.is_door_open or not self.is_on:
            return False
        off_k = max(abs(leg.air_at(now_s) - self.target_degc), abs(leg.product_at(now_s) - self.target_degc))
        return off_k <= self.settings.band

    def done_s(self) -> float:
        """Tell when the ramp under way ends; now if there is none."""
        now_s = self._now_s()
        return self._ramp_end_s if math.isfinite(self._ramp_end_s) else now_s

    def clear_trip(self) -> None:
        """Allow it to be switched on again."""
        self.is_tripped = False

    def reset(self) -> None:
        """Go to the state of ``*RST``: off, slowest thing it can do."""
        self.is_tripped = False
        self.guard_degc = (self.settings.lowest, self.settings.highest)
        self.ramp_k_per_s = self.settings.ramp
        self.target_degc = self.settings.start
        self.switch(False)

    def _now_s(self) -> float:
        """Carry out what is due: the end of a ramp, the door, the guard over the air."""
        now_s = self._clock.now_s()
        while True:
            door_s = self._door_events[0][0] if self._door_events else math.inf
            due_s = min(door_s, self._ramp_end_s)
            if due_s > now_s:
                break
            if door_s <= self._ramp_end_s:
                self.is_door_open = self._door_events.popleft()[1]
            self._change(due_s)
        if self.is_on and not self.guard_degc[0] <= self._legs[-1].air_at(now_s) <= self.guard_degc[1]:
            self.is_tripped, self.is_on = True, False
            self._change(now_s)
        return now_s

    def _change(self, at_s: float) -> None:
        """Begin the leg that the state asks for."""
        self._ramp_end_s = math.inf
        setpoint_degc = self._legs[-1].setpoint_at(at_s)
        if self.is_door_open:
            # The setpoint waits where it is; the air goes out of the door.
            self._held_degc = setpoint_degc if self._held_degc is None else self._held_degc
            self._lead(at_s, self.settings.room, 0.0, self._open)
            return
        held_degc, self._held_degc = self._held_degc, None
        if not self.is_on:
            self._lead(at_s, self.settings.room, 0.0, self._shut)
            return
        setpoint_degc = setpoint_degc if held_degc is None else held_degc
        left_k = self.target_degc - setpoint_degc
        duration_s = abs(left_k) / self.ramp_k_per_s
        if duration_s <= 1e-9:
            self._lead(at_s, self.target_degc, 0.0, self._driven)
        else:
            self._ramp_end_s = at_s + duration_s
            self._lead(at_s, setpoint_degc, math.copysign(self.ramp_k_per_s, left_k), self._driven)

    def _lead(
        self,
        at_s: float,
        setpoint_degc: float,
        rate_k_per_s: float,
        air: Air,
        state: tuple[float, float, float] | None = None,
    ) -> None:
        if state is None:
            before = self._legs[-1]
            state = (before.air_at(at_s), before.air_slope_at(at_s), before.product_at(at_s))
        self._legs.append(
            begin_leg(
                start_s=at_s,
                setpoint_degc=setpoint_degc,
                rate_k_per_s=rate_k_per_s,
                air=air,
                air_degc=state[0],
                air_slope_k_per_s=state[1],
                product_degc=state[2],
                soak_s=self.settings.soak,
            )
        )

    def _leg(self, at_s: float) -> Leg:
        for leg in reversed(self._legs):
            if at_s >= leg.start_s:
                return leg
        return self._legs[0]
