"""Limits files: voltages that belong to somebody else than the plan; a plan can only be tighter."""

from collections.abc import Mapping
from pathlib import Path

from cornerrun.errors import PlanProblems
from cornerrun.plan.document import Document, Reader, load_document
from cornerrun.plan.files import LimitsFile
from cornerrun.plan.model import HardLimits
from cornerrun.plan.nearest import nearest
from cornerrun.plan.nodes import ProblemList
from cornerrun.plan.rail_file import RailFile
from cornerrun.units import Kind, show

__all__ = ["effective_limits", "read_limits"]


def read_limits(path: Path, problems: ProblemList) -> Document[LimitsFile] | None:
    """Read a limits file; None if its problems were added instead."""
    try:
        document = load_document(path, LimitsFile, role="limits")
    except PlanProblems as error:
        problems.extend(error.problems)
        return None
    before = len(problems)
    for name, limits in document.model.rails.items():
        if limits.min >= limits.max:
            came = f"min {show(limits.min, Kind.VOLTAGE)} is not below max {show(limits.max, Kind.VOLTAGE)}"
            problems.extend((document.problem(("rails", name), came, "swap the two, or mend one"),))
    return document if len(problems) == before else None


def effective_limits(
    reader: Reader, rails: Mapping[int, RailFile], limits: Document[LimitsFile] | None, *, is_expected: bool
) -> dict[int, HardLimits]:
    """Tell the hard limits of each rail, and add a problem for each that is missing or wider than allowed.

    ``is_expected`` says that a limits file was named but could not be read: what it would give is not reported.
    """
    found: dict[int, HardLimits] = {}
    for index, rail in rails.items():
        own = rail.hard_limits
        if own is not None and own.min >= own.max:
            came = f"min {show(own.min, Kind.VOLTAGE)} is not below max {show(own.max, Kind.VOLTAGE)}"
            reader.add(("rails", index, "hard_limits"), came, "swap the two, or mend one")
            continue
        if limits is not None:
            _add_wider(reader, index, rail, limits)
            given = limits.model.rails.get(rail.name)
            own = own or given
        if own is not None:
            found[index] = HardLimits(min_v=own.min, max_v=own.max)
        elif limits is None and not is_expected:
            advice = "write 'hard_limits: {min: ..., max: ...}': voltages that nothing crosses"
            reader.add(("rails", index), "has no 'hard_limits'", advice)
    return found


def _add_wider(reader: Reader, index: int, rail: RailFile, limits: Document[LimitsFile]) -> None:
    given = limits.model.rails.get(rail.name)
    path, owner = limits.source.path, limits.model.owner
    if given is None:
        close = nearest(rail.name, limits.model.rails)
        advice = f"did you mean {close!r}?" if close else f"ask {owner} for its limits"
        reader.add(("rails", index, "name"), f"{rail.name!r} has no limits in {path}", advice)
        return
    own = rail.hard_limits
    if own is None:
        return
    for side, mine, theirs, is_wider in (
        ("min", own.min, given.min, own.min < given.min),
        ("max", own.max, given.max, own.max > given.max),
    ):
        if is_wider:
            line, column = limits.position(("rails", rail.name, side))
            came = f"{show(mine, Kind.VOLTAGE)} is wider than {show(theirs, Kind.VOLTAGE)} in {path}:{line}:{column}"
            advice = f"a plan may only be tighter: write '{show(theirs, Kind.VOLTAGE)}', or ask {owner}"
            reader.add(("rails", index, "hard_limits", side), came, advice)
