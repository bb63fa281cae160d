"""A file as a tree of texts, each with the place where it stands."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from cornerrun.errors import PlanProblems, Problem

__all__ = ["Entry", "Loc", "Node", "ProblemList", "Where", "item_label", "plain", "shortened"]

Loc = Sequence[str | int]


@dataclass(frozen=True, kw_only=True, slots=True)
class Where:
    """A place in a file; ``line`` and ``column`` count from 1."""

    path: Path
    line: int
    column: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One key of a mapping: where the key stands, and its value."""

    where: Where
    node: "Node"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Node:
    """A text, a list or a mapping; None where a key has no value. ``label`` names it in messages."""

    where: Where
    label: str
    value: str | tuple["Node", ...] | Mapping[str, Entry] | None

    @property
    def entries(self) -> Mapping[str, Entry]:
        """The keys of a mapping; empty for anything else."""
        return self.value if isinstance(self.value, Mapping) else {}

    @property
    def items(self) -> tuple["Node", ...]:
        """The members of a list; empty for anything else."""
        return self.value if isinstance(self.value, tuple) else ()

    @property
    def text(self) -> str | None:
        """The text of a scalar; None for anything else."""
        return self.value if isinstance(self.value, str) else None

    @property
    def kind(self) -> str:
        """What came, for messages."""
        if self.value is None:
            return "nothing"
        if isinstance(self.value, str):
            return f"the text {shortened(self.value)!r}"
        return "a list" if isinstance(self.value, tuple) else "a mapping"

    def children(self) -> Iterator[tuple[str | int, "Node"]]:
        """Go through keys or indices with their nodes."""
        if isinstance(self.value, Mapping):
            for key, entry in self.value.items():
                yield key, entry.node
        elif isinstance(self.value, tuple):
            yield from enumerate(self.value)

    def child(self, step: str | int) -> "Node | None":
        """Look up one key or index; None if it is not there."""
        if isinstance(self.value, Mapping):
            entry = self.value.get(str(step)) if isinstance(step, str) else None
            return entry.node if entry else None
        if isinstance(self.value, tuple) and isinstance(step, int) and 0 <= step < len(self.value):
            return self.value[step]
        return None

    def with_entry(self, key: str, node: "Node", where: Where | None = None) -> "Node":
        """Set one key of a mapping."""
        entry = Entry(where=where or node.where, node=node)
        return replace(self, value={**self.entries, key: entry})

    def without(self, key: str) -> "Node":
        """Take one key out of a mapping."""
        return replace(self, value={name: entry for name, entry in self.entries.items() if name != key})


def shortened(text: str, most: int = 60) -> str:
    """Cut a text that would flood a message, and blank what would upset a terminal."""
    text = "".join(character if character.isprintable() else " " for character in text)
    return text if len(text) <= most else text[: most - 3] + "..."


def item_label(parent: str, index: int, name: str | None) -> str:
    """Name a member of a list by its ``name`` where it has one, else by its number from 0."""
    return f"{parent}[{shortened(name) if name else index}]"


def plain(node: Node) -> object:
    """Turn a tree into dicts, lists, texts and None, as a validator wants it."""
    if isinstance(node.value, Mapping):
        return {key: plain(entry.node) for key, entry in node.value.items()}
    if isinstance(node.value, tuple):
        return [plain(item) for item in node.value]
    return node.value


class ProblemList:
    """Collects problems, so that all appear together. One that is said twice of the same place is kept once."""

    def __init__(self) -> None:
        self._problems: dict[tuple[Where, str, str], Problem] = {}

    def __len__(self) -> int:
        return len(self._problems)

    def add(self, where: Where, field: str, came: str, advice: str) -> None:
        """Keep one problem."""
        problem = Problem(path=where.path, line=where.line, column=where.column, field=field, came=came, advice=advice)
        self._problems.setdefault((where, came, advice), problem)

    def extend(self, problems: Sequence[Problem]) -> None:
        """Keep problems that another file's reader found."""
        for problem in problems:
            self.add(
                Where(path=problem.path, line=problem.line, column=problem.column),
                problem.field,
                problem.came,
                problem.advice,
            )

    def raise_if_any(self) -> None:
        """Raise PlanProblems with all of them, file by file in the order of first mention, by position in each."""
        if not self._problems:
            return
        files = {path: rank for rank, path in enumerate(dict.fromkeys(p.path for p in self._problems.values()))}
        ordered = sorted(self._problems.values(), key=lambda p: (files[p.path], p.line, p.column))
        raise PlanProblems(tuple(ordered))
