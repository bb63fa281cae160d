"""Rails, or units, from a table: CSV with one header row, as a tree with positions.

Column names are the keys of the YAML file, nested ones with dots: ``hard_limits.min``, ``power.page``. Units stand in
the cells. An empty cell leaves its key out.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from cornerrun.plan.model import Source
from cornerrun.plan.nodes import Entry, Node, ProblemList, Where, item_label
from cornerrun.plan.source import Role, read_source

__all__ = ["Cell", "Table", "rails_from_table", "read_table"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """One cell: its text without quotes and outer blanks, and its place."""

    where: Where
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """A header and rows; every row has as many cells as the header, those at its end possibly empty."""

    header: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]
    source: Source


def read_table(path: Path, role: Role, problems: ProblemList) -> Table | None:
    """Read a CSV file whose cells are parted by comma, semicolon or tab; None if problems were added instead."""
    read = read_source(path, role, problems)
    if read is None:
        return None
    text, source = read
    lines = [(number, line) for number, line in enumerate(re.split("\r\n|\r|\n", text), 1) if line.strip(" ,;\t")]
    if not lines:
        problems.add(Where(path=path, line=1, column=1), role, "is empty", "write a header row and one row for each")
        return None
    header_line = lines[0][1]
    separator = max(",;\t", key=header_line.count)
    found = [_cells(line, Where(path=path, line=number, column=1), separator, problems) for number, line in lines]
    header, rows = found[0], found[1:]
    while header and not header[-1].text:
        header = header[:-1]
    _check_header(header, role, problems)
    whole = []
    for row in rows:
        extra = [cell for cell in row[len(header) :] if cell.text]
        if extra:
            came = f"{extra[0].text!r} stands in a column that has no name"
            problems.add(extra[0].where, role, came, "name the column, or quote a text that holds a separator")
        end = row[-1].where if row else Where(path=path, line=1, column=1)
        padding = tuple(Cell(where=end, text="") for _ in range(len(header) - len(row)))
        whole.append((*row[: len(header)], *padding))
    return Table(header=header, rows=tuple(whole), source=source)


def _cells(line: str, start: Where, separator: str, problems: ProblemList) -> tuple[Cell, ...]:
    cells, at = [], 0
    while True:
        where = replace(start, column=at + 1)
        quoted = re.compile(r'[ ]*"((?:[^"]|"")*)"[ ]*').match(line, at)
        if quoted is not None and (quoted.end() == len(line) or line[quoted.end()] == separator):
            cells.append(Cell(where=where, text=quoted[1].replace('""', '"').strip()))
            end = quoted.end()
        else:
            end = line.find(separator, at)
            end = len(line) if end < 0 else end
            text = line[at:end].strip()
            if text.startswith('"'):
                problems.add(
                    where, "cell", "a quote is not closed in its cell", "close it, or double a quote that is meant"
                )
            cells.append(Cell(where=where, text=text))
        if end >= len(line):
            return tuple(cells)
        at = end + 1


def _check_header(header: tuple[Cell, ...], role: str, problems: ProblemList) -> None:
    first: dict[str, Cell] = {}
    for cell in header:
        if not cell.text:
            problems.add(cell.where, role, "a column has no name", "name it in the header row")
        elif cell.text in first:
            problems.add(cell.where, role, f"the column {cell.text!r} stands here twice", "delete one of the two")
        first.setdefault(cell.text, cell)


def rails_from_table(path: Path, problems: ProblemList) -> tuple[Node, Source] | None:
    """Read a table of rails as the list that ``rails`` would hold; None if problems were added instead."""
    table = read_table(path, "rails", problems)
    if table is None:
        return None
    top = Where(path=path, line=1, column=1)
    if not table.rows:
        problems.add(top, "rails", "holds no rail", "write one row for each rail below the header")
        return None
    names = [cell.text for cell in table.header]
    column = names.index("name") if "name" in names else None
    members = []
    for index, row in enumerate(table.rows):
        label = item_label("rails", index, row[column].text if column is not None else None)
        member = Node(where=row[0].where, label=label, value={})
        for head, cell in zip(table.header, row, strict=True):
            if head.text and cell.text:
                member = _placed(member, head.text.split("."), cell, head.where, problems)
        members.append(member)
    return Node(where=top, label="rails", value=tuple(members)), table.source


def _placed(node: Node, keys: list[str], cell: Cell, head: Where, problems: ProblemList) -> Node:
    label = f"{node.label}.{keys[0]}"
    present: Mapping[str, Entry] = node.entries
    if len(keys) == 1:
        if keys[0] in present:
            problems.add(cell.where, label, "is given twice in this row", "leave one of the two cells empty")
            return node
        return node.with_entry(keys[0], Node(where=cell.where, label=label, value=cell.text), head)
    below = present[keys[0]].node if keys[0] in present else Node(where=cell.where, label=label, value={})
    if isinstance(below.value, str):
        problems.add(cell.where, label, "is given twice in this row", "leave one of the two cells empty")
        return node
    return node.with_entry(keys[0], _placed(below, keys[1:], cell, head, problems), head)
