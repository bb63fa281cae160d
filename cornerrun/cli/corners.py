"""`cornerrun corners`: which corners a plan visits, in which order, and what they meet."""

import csv
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import json_option, limits_option, plan_argument, print_json
from cornerrun.cli.corner_map import corner_map
from cornerrun.errors import PlanError, UsageError
from cornerrun.report.text_table import one_line

if TYPE_CHECKING:
    from cornerrun.corners.measured import PlanCoverage
    from cornerrun.corners.model import Selection, Step
    from cornerrun.plan.model import Plan

_STRENGTHS = (1, 2, 3)


@click.command()
@plan_argument
@limits_option
@click.option("--csv", "csv_path", metavar="FILE", help="Write one row a visit as CSV to FILE; - is stdout.")
@json_option
def command(*, plan_path: Path, limits_path: Path | None, csv_path: str | None, as_json: bool) -> None:
    """Show the corners of PLAN as a map in the order of the run, what they meet, and what cannot be run and why."""
    from cornerrun.corners.stages import laid_out
    from cornerrun.plan.load import load_plan

    plan = load_plan(plan_path, limits=limits_path)
    selection, planned = laid_out(plan)
    if csv_path is not None:
        _write_csv(plan, planned, csv_path)
    if as_json:
        print_json(_as_data(plan, selection, planned))
    elif csv_path != "-":
        for line in _lines(plan, selection, planned):
            click.echo(line)


def _lines(plan: "Plan", selection: "Selection", planned: "tuple[Step, ...]") -> Iterator[str]:
    controls = sum(step.is_control for step in planned)
    counts = f"{len(selection.corners)} corners, {len(planned)} visits, {controls} of them control points"
    yield one_line(f"{plan.title}: {counts}")
    yield ""
    yield from corner_map(plan, planned)
    yield ""
    yield _settling(plan, selection, planned)
    yield "Met in some corner, of what forbidden combinations and relations leave (levels off nominal):"
    for coverage in _coverages(plan, selection):
        yield f"  {_coverage_line(coverage)}"
    if selection.not_runnable:
        yield ""
        yield "Not runnable:"
        for item in selection.not_runnable:
            yield f"  {item.name} ({item.scheme}): {item.reason}"


def _settling(plan: "Plan", selection: "Selection", planned: "tuple[Step, ...]") -> str:
    from cornerrun.corners.order import steps
    from cornerrun.units import Kind, show

    written = replace(plan, corners=replace(plan.corners, order="as written"))
    order = plan.corners.order or "each scheme fastest"
    taken, before = (
        show(sum(_settle_s(plan, one)), Kind.TIME, digits=3) for one in (planned, steps(written, selection))
    )
    return f"Settling, by the plan: {taken} in this order ({order}), {before} as written"


def _settle_s(plan: "Plan", planned: "tuple[Step, ...]") -> "tuple[float, ...]":
    from cornerrun.corners.settle_cost import SettleCost

    return SettleCost(plan).steps_s(planned)


def _coverages(plan: "Plan", selection: "Selection") -> "Iterator[PlanCoverage | str]":
    from cornerrun.corners.measured import plan_coverage

    for strength in _STRENGTHS:
        try:
            yield plan_coverage(plan, selection, strength=strength)
        except PlanError as error:
            yield f"combinations of {strength}: not counted: {error}"


def _coverage_line(coverage: "PlanCoverage | str") -> str:
    if isinstance(coverage, str):
        return coverage
    what = {1: "levels", 2: "pairs of levels", 3: "triples of levels"}[coverage.strength]
    lost = coverage.total - coverage.feasible
    cost = f"; {lost} more ruled out by the plan" if lost else ""
    return f"{what}: {coverage.covered} of {coverage.feasible} ({coverage.ratio:.1%}){cost}"


def _as_data(plan: "Plan", selection: "Selection", planned: "tuple[Step, ...]") -> dict[str, object]:
    return {
        "title": plan.title,
        "corners": [
            {
                "name": corner.name,
                "scheme": corner.scheme,
                "levels": dict(corner.by_rail()),
                "conditions": {item.condition: item.level for item in corner.conditions},
            }
            for corner in selection.corners
        ],
        "visits": [
            {
                "visit": step.ordinal,
                "corner": step.corner.name,
                "is_control": step.is_control,
                "repeat": step.repeat,
                "moves": [{item.rail: item.level for item in burst} for burst in step.moves],
                "settle_s": settle_s,
            }
            for step, settle_s in zip(planned, _settle_s(plan, planned), strict=True)
        ],
        "not_runnable": [
            {"name": item.name, "scheme": item.scheme, "reason": item.reason} for item in selection.not_runnable
        ],
        "coverage": [
            {
                "strength": coverage.strength,
                "covered": coverage.covered,
                "feasible": coverage.feasible,
                "total": coverage.total,
            }
            for coverage in _coverages(plan, selection)
            if not isinstance(coverage, str)
        ],
    }


def _write_csv(plan: "Plan", planned: "tuple[Step, ...]", target: str) -> None:
    rails = [rail.name for rail in plan.commanded_rails]
    conditions = [condition.name for condition in plan.conditions]
    header = ["visit", "corner", "control point", "repeat", *conditions, *rails]
    rows = [
        [
            step.ordinal,
            step.corner.name,
            "yes" if step.is_control else "no",
            step.repeat,
            *(item.level for item in step.corner.conditions),
            *(step.corner.by_rail()[rail] for rail in rails),
        ]
        for step in planned
    ]
    if target == "-":
        csv.writer(sys.stdout).writerows([header, *rows])
        return
    try:
        with Path(target).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([header, *rows])
    except OSError as error:
        raise UsageError(f"{target}: the corners cannot be written there: {error.strerror or error}") from error
