"""The life of a simulated board while the bench runs: it boots, hangs, loses its console, warms up, takes damage."""

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

from cornerrun.bench.simulated.board import unit_shift_v
from cornerrun.bench.simulated.board_settings import JUNCTION, BoardSettings, Edge
from cornerrun.bench.simulated.board_wear import Damage, Heat, LivedRail
from cornerrun.bench.simulated.draws import normal, uniform
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.bench.simulated.watch import Watch

__all__ = ["INPUT_VOLTAGE", "BoardState", "BoardTruth", "SimulatedBoard"]

INPUT_VOLTAGE = "input_voltage"
"""The name by which ``needs`` and edges mean the voltage that feeds the board."""

BoardState = Literal["off", "booting", "up", "hung"]
_NEEDED_RATIO = 0.8  # chosen, see BootSettings
_LINES_KEPT = 200


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardTruth:
    """What no instrument can tell: for tests, and for whoever plants trouble.

    ``edges_v`` are the true edges of this unit by check, in the order of its thresholds, damage included;
    ``over_stress_s`` is the time above the voltage of each entry of ``overstress``.
    """

    state: BoardState
    boots: int
    up_since_s: float | None
    junction_degc: float | None
    has_console: bool
    edges_v: Mapping[str, tuple[float, ...]]
    over_stress_s: tuple[float, ...]


class SimulatedBoard:
    """Follow the rails of one unit. Nothing is followed that the settings do not ask for."""

    def __init__(
        self,
        settings: BoardSettings,
        *,
        serial: str,
        seed: int,
        rails: Sequence[LivedRail],
        outputs: Mapping[str, Output],
        supply: Output,
        ambient_degc: Callable[[float], float],
        timeline: Timeline,
        now_s: float,
    ) -> None:
        self.settings = settings
        self.serial = serial
        self.lines: deque[str] = deque(maxlen=_LINES_KEPT)
        self._key = (seed, serial)
        self._outputs = {**outputs, INPUT_VOLTAGE: supply}
        self._timeline = timeline
        self._state: BoardState = "up"
        self._boots = 0
        self._since_s: float | None = now_s
        self._course = 0
        self._heat = (
            Heat(settings.heating, rails=rails, outputs=outputs, ambient_degc=ambient_degc, now_s=now_s)
            if settings.heating is not None
            else None
        )
        self._damages = tuple(Damage(stress) for stress in settings.overstress)
        for damage in self._damages:
            watch = self._watch(damage.settings.rail, damage.settings.above, now_s, damage.stress, is_below=False)
            damage.stress(watch.is_beyond, now_s)
        self._lost = (
            () if settings.console is None else tuple(self._edge(edge, now_s) for edge in settings.console.lost)
        )
        self._crossed = dict(self._hysteretic(now_s))
        self._hang_courses = [0] * len(settings.hangs)
        self._needed = tuple(
            self._watch(rail, level_v, now_s, self._power, hysteresis_v=self._boot_hysteresis_v)
            for rail, level_v in self._needs(rails).items()
        )
        self._begin(now_s)

    @property
    def is_alive(self) -> bool:
        """Whether anything of this board changes by itself; one that does not needs no telling."""
        own = self.settings
        return bool(own.boot or own.hangs or own.console or own.heating or own.overstress or self._crossed)

    def state(self, now_s: float) -> BoardState:
        """Tell what the board is doing."""
        self._timeline.run_until(now_s)
        return self._state

    def junction_degc(self, at_s: float) -> float | None:
        """Tell the temperature of its silicon; None without ``heating``."""
        return None if self._heat is None else self._heat.degc(at_s)

    def has_console(self, now_s: float) -> bool:
        """Whether its console can be heard: it is up, and no edge is crossed at which it is lost."""
        return self.state(now_s) == "up" and not any(watch.is_beyond for watch in self._lost)

    def begin_check(self, check: str, now_s: float) -> Mapping[str, str]:
        """Take notice that a check begins, and tell what a view of the board shall show."""
        if not self.is_alive:
            return {}
        told = {
            "state": self.state(now_s),
            "console": "heard" if self.has_console(now_s) else "lost",
            "boots": str(self._boots),
        }
        if self._heat is not None:
            own = self.settings.checks.get(check)
            if own is not None and own.heat:
                self._heat.run(check, own.heat, now_s)
            told[JUNCTION] = repr(self._heat.degc(now_s))
        shift_v = self._shift_v(check, now_s)
        if shift_v:
            told[f"shift {check}"] = repr(shift_v)
        crossed = [key for key, watch in self._crossed.items() if watch.is_beyond]
        if crossed:
            told["crossed"] = "\n".join(crossed)
        return told

    def end_check(self, check: str, now_s: float) -> None:
        """Take notice that a check has ended."""
        if self._heat is not None:
            self._timeline.run_until(now_s)
            self._heat.run(check, 0.0, now_s)

    def restart(self, now_s: float) -> None:
        """Start it again, as a reset button does, if its rails are there."""
        if self.state(now_s) != "off":
            self._boot(now_s)

    def truth(self, now_s: float) -> BoardTruth:
        """Tell everything."""
        state = self.state(now_s)
        return BoardTruth(
            state=state,
            boots=self._boots,
            up_since_s=self._since_s if state == "up" else None,
            junction_degc=self.junction_degc(now_s),
            has_console=self.has_console(now_s),
            edges_v={check: self._edges_v(check, now_s) for check in self.settings.checks},
            over_stress_s=tuple(damage.stressed_s(now_s) for damage in self._damages),
        )

    @property
    def _boot_hysteresis_v(self) -> float:
        return 0.0 if self.settings.boot is None else self.settings.boot.hysteresis

    def _needs(self, rails: Sequence[LivedRail]) -> Mapping[str, float]:
        boot = self.settings.boot
        if boot is None or boot.needs:
            return {} if boot is None else boot.needs
        return {rail.name: _NEEDED_RATIO * rail.nominal for rail in rails if rail.power is not None}

    def _hysteretic(self, now_s: float) -> Mapping[str, Watch]:
        return {
            f"{check}/{index}": self._edge(
                threshold, now_s, threshold.hysteresis, unit_shift_v(threshold, self.serial, check, index)
            )
            for check, own in self.settings.checks.items()
            for index, threshold in enumerate(own.thresholds)
            if threshold.hysteresis
        }

    def _begin(self, now_s: float) -> None:
        boot, console = self.settings.boot, self.settings.console
        if boot is not None and (boot.starts == "off" or self._is_power_missing()):
            self._state, self._since_s = "off", None
            if not self._is_power_missing():
                self._boot(now_s)
        if console is not None and self._state == "up":
            self.lines.extend(console.banner)
        self._threats = tuple(
            None if hang.edge is None else self._edge(hang.edge, now_s, told=partial(self._threaten, place))
            for place, hang in enumerate(self.settings.hangs)
        )
        if self._state == "up":
            self._threaten_all(now_s)

    def _edge(
        self,
        edge: Edge,
        now_s: float,
        hysteresis_v: float = 0.0,
        shift_v: float = 0.0,
        told: Callable[[bool, float], None] | None = None,
    ) -> Watch:
        level_v = edge.below if edge.below is not None else edge.above
        assert level_v is not None  # the model admits nothing else
        return self._watch(
            edge.rail,
            level_v + shift_v,
            now_s,
            told,
            minus=edge.minus,
            is_below=edge.below is not None,
            hysteresis_v=hysteresis_v,
        )

    def _watch(
        self,
        rail: str,
        level_v: float,
        now_s: float,
        told: Callable[[bool, float], None] | None = None,
        *,
        minus: Mapping[str, float] | None = None,
        is_below: bool = True,
        hysteresis_v: float = 0.0,
    ) -> Watch:
        terms = [(self._outputs[rail], 1.0)]
        terms += [(self._outputs[other], -share) for other, share in (minus or {}).items()]
        return Watch(
            terms,
            level_v=level_v,
            is_below=is_below,
            timeline=self._timeline,
            now_s=now_s,
            changed=told,
            hysteresis_v=hysteresis_v,
        )

    def _is_power_missing(self) -> bool:
        return any(watch.is_beyond for watch in self._needed)

    def _power(self, is_missing: bool, at_s: float) -> None:
        if is_missing and self._state != "off":
            self._state, self._since_s = "off", None
            self._course += 1
            self.lines.clear()
        elif self._state == "off" and not self._is_power_missing():
            self._boot(at_s)

    def _boot(self, at_s: float) -> None:
        boot = self.settings.boot
        self._state, self._since_s = "booting", None
        self._boots += 1
        self._course += 1
        time_s = 0.0 if boot is None else boot.time
        if boot is not None and boot.spread:
            time_s *= max(0.0, 1.0 + boot.spread * normal("boot", *self._key, self._boots))
        self._timeline.at(at_s + time_s, partial(self._booted, self._course))

    def _booted(self, course: int, at_s: float) -> None:
        if course != self._course:
            return
        boot, console = self.settings.boot, self.settings.console
        if boot is not None and uniform("start", *self._key, self._boots) < boot.fails:
            self._state = "hung"
            return
        self._state, self._since_s = "up", at_s
        if console is not None:
            self.lines.clear()
            self.lines.extend(console.banner)
        self._threaten_all(at_s)

    def _threaten_all(self, at_s: float) -> None:
        for place, watch in enumerate(self._threats):
            self._threaten(place, watch is None or watch.is_beyond, at_s)

    def _threaten(self, place: int, is_beyond: bool, at_s: float) -> None:
        """Draw when it hangs while it lies beyond an edge; back inside, nothing comes of it."""
        self._hang_courses[place] += 1
        if is_beyond:
            drawn = self._hang_courses[place]
            wait_s = -self.settings.hangs[place].after * math.log(uniform("hang", *self._key, place, drawn))
            self._timeline.at(at_s + wait_s, partial(self._hang, place, drawn))

    def _hang(self, place: int, drawn: int, at_s: float) -> None:
        if drawn != self._hang_courses[place]:
            return
        watchdog_s = self.settings.hangs[place].watchdog
        if self._state == "up":
            self._state, self._since_s = "hung", None
            self._course += 1
            if watchdog_s is not None:
                self._timeline.at(at_s + watchdog_s, partial(self._bite, self._course))

    def _bite(self, course: int, at_s: float) -> None:
        if course == self._course and self._state == "hung":
            self._boot(at_s)

    def _shift_v(self, check: str, now_s: float) -> float:
        return sum(damage.shift_v(check, now_s) for damage in self._damages)

    def _edges_v(self, check: str, now_s: float) -> tuple[float, ...]:
        inward_v = self._shift_v(check, now_s)
        edges_v = []
        for index, threshold in enumerate(self.settings.checks[check].thresholds):
            shift_v = unit_shift_v(threshold, self.serial, check, index)
            if threshold.below is not None:
                edges_v.append(threshold.below + shift_v + inward_v)
            elif threshold.above is not None:
                edges_v.append(threshold.above + shift_v - inward_v)
        return tuple(edges_v)
