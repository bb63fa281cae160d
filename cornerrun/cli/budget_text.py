"""What a run takes and wears, as lines for a terminal."""

import textwrap
from collections.abc import Iterator, Mapping

from cornerrun.preflight.budget import Budget
from cornerrun.units import Kind, show

__all__ = ["budget_lines"]

_MOST_RAILS = 5  # chosen: those that stand above nominal longest; the others are counted


def budget_lines(budget: Budget, width: int) -> Iterator[str]:
    """Lay out a budget in at most ``width`` columns, as far as names allow."""
    yield f"A run takes about {_time(budget.total_s)}: {budget.visits} visits"
    table = dict(budget.phases_s)
    longest = max(len(name) for name in (*table, *(f"  {check}" for check in budget.checks_s)))
    for name, time_s in table.items():
        yield _row(name, time_s, budget.total_s, longest)
        if name == "checks" and len(budget.checks_s) > 1:
            for check, part_s in budget.checks_s.items():
                yield _row(f"  {check}", part_s, budget.total_s, longest)
    buses = ", ".join(f"{count:,} on {bus}" for bus, count in budget.messages.items()) or "none"
    cycles = "1 power cycle" if budget.power_cycles == 1 else f"{budget.power_cycles} power cycles"
    wear = f"Wear: {budget.relay_closures:,} relay closures, {cycles}, {budget.stores} writes to non-volatile memory; "
    wear += f"bus messages: {buses}"
    yield from _wrapped(wear, width)
    if budget.above_nominal_s:
        yield from _wrapped(f"Above nominal: {_dwell(budget.above_nominal_s)}", width)
    for text in budget.assumptions:
        yield from _wrapped(f"Reckoned: {text}", width)


def _row(name: str, time_s: float, total_s: float, longest: int) -> str:
    share = time_s / total_s if total_s > 0 else 0.0
    return f"  {name:<{longest}}  {_time(time_s):>12}  {share * 100:5.1f} %"


def _dwell(above_nominal_s: Mapping[str, float]) -> str:
    ordered = sorted(above_nominal_s.items(), key=lambda item: -item[1])
    shown = ", ".join(f"{rail} {_time(time_s)}" for rail, time_s in ordered[:_MOST_RAILS])
    left = len(ordered) - _MOST_RAILS
    return f"{shown}, and {left} rails less long" if left > 0 else shown


def _time(duration_s: float) -> str:
    return show(duration_s, Kind.TIME, digits=3)


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
