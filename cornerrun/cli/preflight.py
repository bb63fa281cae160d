"""`cornerrun preflight`: find the trouble of a plan on paper, before anything is powered."""

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cornerrun.cli.common import (
    bench_option,
    json_option,
    limits_option,
    open_store,
    plan_argument,
    print_json,
    store_options,
)
from cornerrun.errors import EXIT_PASS, EXIT_PLAN, PlanProblems, Problem, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cornerrun.bench.ports import RegisterValue
    from cornerrun.plan.bench_file import BenchFile
    from cornerrun.plan.model import Plan
    from cornerrun.preflight.facts import Facts

__all__ = ["command"]


@click.command()
@plan_argument
@bench_option
@limits_option
@click.option("--snapshot", "run", metavar="RUN", help="Take the devices' formats and limits from this run's snapshot.")
@store_options
@json_option
def command(
    *,
    plan_path: Path,
    bench_path: Path | None,
    limits_path: Path | None,
    run: str | None,
    results_dir: Path,
    store_url: str | None,
    as_json: bool,
) -> int:
    """List every problem of a plan and its files, and each level of each rail against its hard limits.

    Nothing is powered or moved. A simulated bench is asked for its devices' formats and limits; a real one only if
    --bench names it: then its registers are read, and nothing but PAGE is written, which is put back. Ends with 0 if a
    run could start, with 2 if not.
    """
    from cornerrun.cli.preflight_text import preflight_json, preflight_lines
    from cornerrun.preflight.budget import budget_of
    from cornerrun.preflight.rules import apply_rules

    problems: list[Problem] = []
    plan = _plan(plan_path, limits_path, problems)
    bench_file, bench_missing = _bench(plan_path, plan, bench_path, problems)
    snapshot = None if run is None else _snapshot(run, results_dir, store_url)
    facts = _facts(plan, bench_file, problems, snapshot=snapshot, may_open=bench_path is not None)
    if facts is None or problems:
        if as_json:
            print_json(preflight_json(problems=problems))
            return EXIT_PLAN
        raise PlanProblems(tuple(problems))
    found = apply_rules(facts)
    budget = budget_of(facts)
    if as_json:
        print_json(preflight_json(facts=facts, found=found, budget=budget))
    else:
        width = max(72, min(120, shutil.get_terminal_size((100, 24)).columns))
        for line in preflight_lines(facts, found, budget=budget, bench_missing=bench_missing, width=width):
            click.echo(line)
    return EXIT_PLAN if any(item.severity == "error" for item in found) else EXIT_PASS


def _plan(path: Path, limits_path: Path | None, problems: list[Problem]) -> "Plan | None":
    from cornerrun.plan.load import load_plan

    try:
        return load_plan(path, limits=limits_path)
    except PlanProblems as error:
        problems.extend(error.problems)
        return None


def _bench(
    plan_path: Path, plan: "Plan | None", named: Path | None, problems: list[Problem]
) -> "tuple[BenchFile | None, Path | None]":
    """Read the bench file; one that only the plan names, and that is not at hand, is said and done without."""
    from cornerrun.plan.load import load_bench, plan_tree

    path = named
    if path is None and plan is not None:
        path = plan.bench
    elif path is None:
        tree = plan_tree(plan_path)
        node = tree.child("bench") if tree is not None else None
        path = plan_path.parent / node.text if node is not None and node.text else None
    if path is None:
        return None, None
    if named is None and not path.exists():
        return None, path
    try:
        return load_bench(path), None
    except PlanProblems as error:
        problems.extend(error.problems)
        return None, None


def _snapshot(run: str, results_dir: Path, store_url: str | None) -> "Sequence[RegisterValue]":
    with open_store(results_dir, store_url, must_exist=True) as store:
        data = store.load(store.find(run).run_id)
    if not data.snapshots:
        raise UsageError(
            f"run {data.run.run_id} keeps no snapshot of its devices; name another run, or a bench (--bench)"
        )
    return data.snapshots[0].registers


def _facts(
    plan: "Plan | None",
    bench_file: "BenchFile | None",
    problems: list[Problem],
    *,
    snapshot: "Sequence[RegisterValue] | None",
    may_open: bool,
) -> "Facts | None":
    from cornerrun.preflight.facts import gather

    if plan is None:
        return None
    try:
        return gather(plan, bench_file, None, snapshot=snapshot, may_open=may_open)
    except PlanProblems as error:
        problems.extend(error.problems)
        return None
