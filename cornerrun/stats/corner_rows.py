"""The levels of corners in every form that people have them in, as one mapping a corner."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, cast

__all__ = ["Levels", "as_corners"]

Levels = Iterable[Mapping[str, str]] | Mapping[str, Sequence[Any]] | Iterable[Sequence[Any]]
"""One mapping from rail to level for each corner; or one column of levels for each rail (a mapping or a data frame); or
rows of levels as in a covering array, whose rails then are called by their number, from 0."""


def as_corners(levels: Levels) -> list[Mapping[str, str]]:
    """Return one mapping from rail to level for each corner, all with the same rails.

    Raises:
        ValueError: the levels have no such form, rows or columns differ in length, or corners name different rails.

    """
    to_dict = getattr(levels, "to_dict", None)
    if to_dict is not None and hasattr(levels, "columns"):
        return cast("list[Mapping[str, str]]", to_dict("records"))
    if isinstance(levels, Mapping):
        return _from_columns(levels)
    rows = list(levels)
    if all(isinstance(row, Mapping) for row in rows):
        corners = [cast("Mapping[str, str]", row) for row in rows]
        if corners and any(set(corner) != set(corners[0]) for corner in corners):
            raise ValueError("all corners must name the same rails")
        return corners
    return _from_rows(rows)


def _from_columns(levels: Mapping[str, Sequence[Any]]) -> list[Mapping[str, str]]:
    columns = {rail: _plain(column) for rail, column in levels.items()}
    if len({len(column) for column in columns.values()}) > 1:
        raise ValueError("each rail needs a level for every corner, but the columns differ in length")
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _from_rows(rows: Sequence[Any]) -> list[Mapping[str, str]]:
    plain = [_plain(row) for row in rows]
    if any(len(row) != len(plain[0]) for row in plain):
        raise ValueError("each corner needs a level for every rail, but the rows differ in length")
    return [cast("Mapping[str, str]", dict(enumerate(row))) for row in plain]


def _plain(items: Any) -> list[Any]:
    """Return a row or column as a list; numpy's numbers become Python's, which compare and print as expected."""
    if isinstance(items, str | Mapping) or not hasattr(items, "__iter__"):
        raise ValueError(f"levels are one mapping or one row for each corner, but one of them is {items!r:.60}")
    values = items.tolist() if hasattr(items, "tolist") else items
    return [value.item() if hasattr(value, "item") else value for value in values]
