"""What the voltages that feed a manager do to it: brown-out, and the bits of STATUS_INPUT."""

from collections.abc import Callable

from cornerrun.bench.simulated.level_watch import LevelWatch
from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.manager_settings import InputLimitSettings, SupplySettings
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["feed", "watch_input"]

_SUPPLY = "supply"
_INPUT = "input"
# STATUS_INPUT: Linux drivers/hwmon/pmbus/pmbus.h.
_OV_FAULT, _OV_WARN, _UV_WARN, _UV_FAULT = 0x80, 0x40, 0x20, 0x10


def feed(
    manager: SimulatedManager,
    settings: SupplySettings,
    source: Output,
    *,
    timeline: Timeline,
    start_s: float,
) -> None:
    """Have a manager die where its own supply is too low, and start anew when that is back."""
    starts = 0

    def change(at_s: float, is_below: bool) -> None:
        nonlocal starts
        starts += 1
        if not is_below:
            timeline.at(at_s + settings.boot, start_again(starts))
            return
        manager.deaf_until_s = float("inf")
        for page in manager.pages:
            page.keep_off(at_s, _SUPPLY, is_kept=True)

    def start_again(number: int) -> Callable[[float], None]:
        def start(at_s: float) -> None:
            if number != starts:
                return  # the supply has gone again meanwhile
            manager.deaf_until_s = at_s
            manager.restart(at_s)
            for page in manager.pages:
                page.keep_off(at_s, _SUPPLY, is_kept=False)

        return start

    LevelWatch(source, settings.brown_out, timeline=timeline, changed=change, start_s=start_s)


def watch_input(
    manager: SimulatedManager, limits: InputLimitSettings, supply: Output, *, timeline: Timeline, start_s: float
) -> None:
    """Have a manager show in STATUS_INPUT what the board's supply does, and turn its outputs off below the fault."""

    def plant(level_v: float | None, bit: int, *, is_high: bool, turns_off: bool = False) -> None:
        if level_v is None:
            return

        def change(at_s: float, is_below: bool) -> None:
            is_beyond = is_below is not is_high
            if is_beyond:
                manager.show_input(bit)
            if turns_off:
                for page in manager.pages:
                    page.keep_off(at_s, _INPUT, is_kept=is_beyond)

        LevelWatch(supply, level_v, timeline=timeline, changed=change, start_s=start_s)

    plant(limits.ov_fault, _OV_FAULT, is_high=True)
    plant(limits.ov_warn, _OV_WARN, is_high=True)
    plant(limits.uv_warn, _UV_WARN, is_high=False)
    plant(limits.uv_fault, _UV_FAULT, is_high=False, turns_off=True)
