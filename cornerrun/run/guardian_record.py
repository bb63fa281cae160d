"""Tell the store, or a spill file beside it, what a guardian did to the board of a lost run."""

from dataclasses import replace
from datetime import UTC, datetime

from cornerrun.errors import StoreError
from cornerrun.results.entries import Ending, Entry
from cornerrun.results.records import BY_GUARDIAN, EndState, Event, RunResult
from cornerrun.results.store import Store, spill_of
from cornerrun.run.guardian_deed import Deed
from cornerrun.run.guardian_order import Order
from cornerrun.run.latching import call_for_help

__all__ = ["keep", "story"]


def story(deed: Deed, *, lost: str, doing: str, after_s: float) -> str:
    """Say what happened, in one line: ``after_s`` is from the last sign of life to the safe state."""
    if deed.end_state is EndState.NOMINAL:
        done = ", ".join(
            [
                *([f"{deed.written} registers written, {deed.verified} verified twice"] if deed.verified else []),
                *(f"supply {name} restored" for name in deed.supplies),
            ]
        )
        end = f"the board was at nominal {after_s:.2f} s after its last sign of life ({done})"
    elif deed.end_state is EndState.OFF:
        end = f"every rail was turned off {after_s:.2f} s after its last sign of life: {deed.why}"
    else:
        end = f"the board is in an unknown state: {deed.why}"
    return f"{BY_GUARDIAN}: {lost}, while {doing}; {end}"


def keep(order: Order, deed: Deed, told: str, *, has_begun: bool) -> str:
    """Close the run in its store and latch the bench if it is not at nominal; returns what could not be done.

    ``has_begun``: the run is in the store. One that was lost before has nothing to close.
    """
    recipe = order.recipe
    failed = [_kept(order, deed, told, has_begun)] if order.store else []
    if deed.end_state is not EndState.NOMINAL:
        failed.append(
            call_for_help(
                order.bench_file,
                bench_id=recipe.bench_id,
                is_private=False,
                store=order.store,
                run_id=recipe.run_id,
                end_state=deed.end_state,
                why=told,
                serial=recipe.serial,
                title=order.plan.title,
            )
        )
    return "; ".join(filter(None, failed))


def _kept(order: Order, deed: Deed, told: str, has_begun: bool) -> str:
    run_id, now = order.recipe.run_id, datetime.now(UTC)
    severity = "warning" if deed.end_state is EndState.NOMINAL else "error"
    event = Event(at_s=0.0, at_utc=now, severity=severity, what=told)
    try:
        # A store whose file is gone would be made anew by opening it.
        with Store.open(order.store, read_only=True) as store:
            found = [run for run in store.runs(bench_id=order.recipe.bench_id) if run.run_id == run_id]
        if found:
            elapsed_s = (now - found[0].started_utc).total_seconds()
            with Store.open(order.store) as store:
                store.add_event(run_id, replace(event, at_s=elapsed_s))
                if found[0].end_state is None or deed.end_state is not EndState.NOMINAL:
                    store.end_run(run_id, found[0].result or RunResult.INCOMPLETE, deed.end_state, told, now)
            return ""
    except StoreError as error:
        return _spilled(order, deed, event, str(error))
    return _spilled(order, deed, event, f"{order.store}: the run is not there") if has_begun else ""


def _spilled(order: Order, deed: Deed, event: Event, trouble: str) -> str:
    run_id = order.recipe.run_id
    ending = Ending(result=RunResult.INCOMPLETE, end_state=deed.end_state, why=event.what, ended_utc=event.at_utc)
    try:
        kept = spill_of(order.store).keep(
            [Entry(kind="event", run_id=run_id, record=event), Entry(kind="end", run_id=run_id, record=ending)]
        )
    except StoreError as again:
        return f"{trouble}; {again}"
    return f"{trouble}; what was to be kept is in {kept}"
