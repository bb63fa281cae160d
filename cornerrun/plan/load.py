"""Files -> plan, bench and units; every problem of all files at once."""

from collections.abc import Mapping
from pathlib import Path

from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.bench_load import read_bench
from cornerrun.plan.build import build_plan
from cornerrun.plan.cross import board_of
from cornerrun.plan.cross_checks import check_checks
from cornerrun.plan.cross_conditions import check_conditions
from cornerrun.plan.cross_conduct import check_fault_responses, check_kept, check_power_up
from cornerrun.plan.cross_corners import check_corners
from cornerrun.plan.cross_rails import check_rails
from cornerrun.plan.cross_supply import check_supplies
from cornerrun.plan.cross_ties import check_devices, check_followers, check_groups, check_relations
from cornerrun.plan.cross_trim import check_trim
from cornerrun.plan.defaults import merge_defaults
from cornerrun.plan.document import Document, Reader, check, read_tree
from cornerrun.plan.files import LimitsFile, PlanFile
from cornerrun.plan.limits import effective_limits, read_limits
from cornerrun.plan.model import Plan, Source
from cornerrun.plan.nodes import Node, ProblemList
from cornerrun.plan.overrides import check_overrides
from cornerrun.plan.rail_table import rails_from_table, read_table

__all__ = ["load_bench", "load_plan", "load_units", "plan_tree"]


def load_plan(path: Path, *, limits: Path | None = None) -> Plan:
    """Read a plan, its rail table and its limits file.

    ``limits`` replaces the limits file that the plan names. Chains of rails that track or are tied are resolved to the
    rail at their end.

    Raises:
        PlanProblems: every problem of all files, each with its place and what to write.

    """
    problems = ProblemList()
    read = read_tree(path, "plan", problems)
    if read is None:
        problems.raise_if_any()
        raise AssertionError("a file that cannot be read leaves a problem")
    root, source = read
    directory = path.parent.resolve()
    root, tables, is_whole = _completed(root, path.parent, problems)
    file = check(root, PlanFile, problems, without=() if is_whole else ("rails",))
    rails = root.child("rails")
    if not is_whole or rails is None or not rails.items:
        # Without a list of rails every name would be unknown: that would only bury what is the matter.
        problems.raise_if_any()
    board = board_of(Reader(root=root, problems=problems))

    named = root.child("limits")
    if limits is None and named is not None and named.text:
        limits = path.parent / named.text
    owned = None if limits is None else read_limits(limits, problems)
    if owned is not None:
        _check_same_board(root, owned, problems)
    allowed = effective_limits(board.reader, board.rails, owned, is_expected=limits is not None)

    check_devices(board)
    check_rails(board, allowed)
    check_kept(board)
    check_power_up(board)
    check_fault_responses(board)
    check_overrides(board, None if file is None else file.overrides, allowed)
    check_supplies(board)
    check_followers(board)
    check_groups(board)
    check_relations(board)
    check_conditions(board)
    check_corners(board)
    check_checks(board)
    check_trim(board)
    problems.raise_if_any()
    if file is None:
        raise AssertionError("a plan that is not valid leaves a problem")
    sources = (source, *tables, *(() if owned is None else (owned.source,)))
    return build_plan(file, board, allowed, sources, directory)


def load_bench(path: Path) -> BenchFile:
    """Read a bench file.

    Raises:
        PlanProblems: every problem of the file.

    """
    return read_bench(path)


def load_units(path: Path) -> Mapping[str, Mapping[str, str]]:
    """Read a table of units: CSV with a column ``serial``; all else is handed to checks as text.

    Raises:
        PlanProblems: every problem of the file.

    """
    problems = ProblemList()
    table = read_table(path, "units", problems)
    units: dict[str, dict[str, str]] = {}
    if table is not None:
        names = [cell.text for cell in table.header]
        if "serial" not in names:
            problems.add(
                table.header[0].where, "serial", "no column is called 'serial'", "name the column of serials so"
            )
        else:
            column = names.index("serial")
            for row in table.rows:
                serial = row[column]
                if not serial.text:
                    problems.add(serial.where, "serial", "a unit has no serial", "write one")
                elif serial.text in units:
                    problems.add(serial.where, "serial", f"{serial.text!r} stands here twice", "delete one of the rows")
                else:
                    units[serial.text] = {name: cell.text for name, cell in zip(names, row, strict=True)}
    problems.raise_if_any()
    return units


def plan_tree(path: Path) -> Node | None:
    """Read a plan as the tree of its texts, rail table and defaults put in; None if it cannot be read.

    For those who have a plan and want to point at a place in its file.
    """
    problems = ProblemList()
    read = read_tree(path, "plan", problems)
    return None if read is None else _completed(read[0], path.parent, problems)[0]


def _completed(root: Node, directory: Path, problems: ProblemList) -> tuple[Node, tuple[Source, ...], bool]:
    """Put in the rows of ``rails: rails.csv`` and the defaults; the last tells whether that table could be read."""
    entry = root.entries.get("rails")
    tables: tuple[Source, ...] = ()
    is_whole = True
    if entry is not None and entry.node.text:
        read = rails_from_table(directory / entry.node.text, problems)
        is_whole = read is not None
        root = root.without("rails") if read is None else root.with_entry("rails", read[0], entry.where)
        tables = () if read is None else (read[1],)
    return merge_defaults(root, PlanFile, problems), tables, is_whole


def _check_same_board(root: Node, owned: Document[LimitsFile], problems: ProblemList) -> None:
    board = root.child("board")
    name = board.child("name") if board is not None else None
    given = owned.model.board
    if given is not None and name is not None and name.text is not None and name.text.strip() != given:
        came = f"this is {name.text.strip()!r}, but {owned.source.path} is for {given!r}"
        problems.add(name.where, "board.name", came, "use the limits file of this board")
