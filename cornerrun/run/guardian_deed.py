"""What a guardian does to the board of a lost run: nominal, verified twice; else off; else it says to pull the plug."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.raw_outputs import Seen, look, turn_off
from cornerrun.bench.restore import RestoreFailure, replay, verify
from cornerrun.clock import Clock
from cornerrun.results.records import EndState
from cornerrun.run.guardian_order import Order
from cornerrun.run.guardian_supplies import Supplies

__all__ = ["Deed", "make_safe"]

_ROUNDS = 2  # as on the runner's own way back: one failed exchange shall not power a board down
_BETWEEN_S = 0.02  # chosen: what somebody else still sends shows itself between the two verifications
_PAUSES_TO_OFF_S = (0.0, 0.1, 0.3, 1.0, 3.0)  # as on the runner's own way back
_LOOK_PERIOD_S = 0.005  # chosen: a rail takes some milliseconds to arrive
_Bursts = Sequence[Sequence[str]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Deed:
    """Where the board is now, and what was done; ``why`` is empty at nominal. Times are seconds on the clock."""

    end_state: EndState
    why: str
    supplies: tuple[str, ...]
    verified: int
    written: int
    began_s: float
    safe_s: float


def make_safe(
    order: Order,
    links: Mapping[str, Link],
    clock: Clock,
    *,
    return_order: _Bursts,
    shall_be_off: str = "",
    supplies: Supplies | None = None,
) -> Deed:
    """Bring the board to nominal, or to off where that fails or where the runner was on its way there. Never raises.

    ``return_order`` is that of the step under way. ``shall_be_off`` says why the runner was turning rails off.
    """
    began_s = clock.now_s()
    made = supplies or Supplies(order, clock)
    why, done = shall_be_off, (0, 0)
    if not why:
        try:
            why, done = _to_nominal(order, links, clock, return_order, made)
        except Exception as error:  # a bug here is no reason to leave rails where they are
            why = f"internal error: {type(error).__name__}: {error}"
        if not why:
            return _deed(order, EndState.NOMINAL, "", done, began_s, clock)
    failed = _off(order, links, clock, made)
    if failed:
        told = f"{why}; not off: {'; '.join(failed)}; remove the input power by hand"
        return _deed(order, EndState.UNKNOWN, told, done, began_s, clock)
    return _deed(order, EndState.OFF, why, done, began_s, clock)


def _deed(  # noqa: PLR0917 - its fields, in their order
    order: Order, state: EndState, why: str, done: tuple[int, int], began_s: float, clock: Clock
) -> Deed:
    verified, written = done
    return Deed(
        end_state=state,
        why=why,
        supplies=order.supplies,
        verified=verified,
        written=written,
        began_s=began_s,
        safe_s=clock.now_s(),
    )


def _to_nominal(
    order: Order, links: Mapping[str, Link], clock: Clock, return_order: _Bursts, supplies: Supplies
) -> tuple[str, tuple[int, int]]:
    """Return why the board is not at nominal, nothing if it is; and how many registers were verified and written."""
    writes = order.recipe.writes
    off = [seen for seen in look(writes, links, clock, order.delays) if seen.is_off]
    if off:
        # Nobody may turn on a rail that a device, or a person, has turned off: the evidence was never looked at.
        return f"off when the run was lost: {', '.join(map(_with_status, off))}", (0, 0)
    why, written = "", 0
    for _ in range(_ROUNDS):
        written += _home_in_order(order, links, clock, return_order)
        restored = replay(writes, links, clock=clock, delays=order.delays)
        written += restored.written
        failures = list(map(str, restored.failures)) or _late(order, links, clock, None)
        failures += supplies.bring_back()
        if not failures:
            failures = _verified_twice(order, links, clock)
        if not failures:
            return "", (restored.verified, written)
        why = f"not at nominal: {'; '.join(failures)}"
    return why, (restored.verified, written)


def _home_in_order(order: Order, links: Mapping[str, Link], clock: Clock, return_order: _Bursts) -> int:
    """Send rails home burst by burst, each given the time to arrive: relations between rails hold by that order."""
    written = 0
    for burst in return_order:
        part = [write for write in order.recipe.writes if set(write.rails) & set(burst)]
        written += replay(part, links, clock=clock, stages=("nominal",), delays=order.delays).written
        _late(order, links, clock, burst)
    return written


def _late(order: Order, links: Mapping[str, Link], clock: Clock, burst: Sequence[str] | None) -> list[str]:
    """Wait until rails read nominal, all of them or those of a burst; return what did not arrive."""
    arrivals = {one.rail: one for one in order.arrivals if burst is None or one.rail in burst}
    writes = [write for write in order.recipe.writes if burst is None or set(write.rails) & set(burst)]
    start_s = clock.now_s()
    while True:
        seen = look(writes, links, clock, order.delays)
        late = []
        for one in seen:
            rail = ", ".join(one.rails)
            arrival = arrivals.get(one.rails[0])
            if one.trouble or one.is_off:
                late.append(f"{rail}: {one.trouble or 'is off'}")
            elif arrival is not None and not arrival.low_word <= (one.word or 0) <= arrival.high_word:
                late.append(f"{rail}: reads 0x{one.word or 0:04X}, away from nominal")
        longest_s = max((one.timeout_s for one in arrivals.values()), default=0.0)
        if not late or any(one.trouble or one.is_off for one in seen) or clock.now_s() >= start_s + longest_s:
            return late
        clock.sleep_until(clock.now_s() + _LOOK_PERIOD_S, interruptible=False)


def _verified_twice(order: Order, links: Mapping[str, Link], clock: Clock) -> list[str]:
    failures: tuple[RestoreFailure, ...] = ()
    for pause_s in (0.0, _BETWEEN_S):
        clock.sleep_until(clock.now_s() + pause_s, interruptible=False)
        failures = verify(order.recipe.writes, links, clock=clock, delays=order.delays).failures
        if failures:
            return list(map(str, failures))
    return _late(order, links, clock, None)


def _off(order: Order, links: Mapping[str, Link], clock: Clock, supplies: Supplies) -> Sequence[str]:
    failed: Sequence[str] = ("nothing was tried",)
    for pause_s in _PAUSES_TO_OFF_S:
        clock.sleep_until(clock.now_s() + pause_s, interruptible=False)
        try:
            failed = [*turn_off(order.recipe.writes, links, clock, order.delays), *supplies.turn_off()]
        except Exception as error:
            failed = [f"internal error: {type(error).__name__}: {error}"]
        if not failed:
            break
    return failed


def _with_status(seen: Seen) -> str:
    return f"{', '.join(seen.rails)} (STATUS_WORD 0x{seen.status_word or 0:04X})"
