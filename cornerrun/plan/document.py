"""The engine of every file a person writes: YAML -> a validated model, every problem at once, each with its place."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import BaseModel, TypeAdapter, ValidationError

from cornerrun.errors import Problem
from cornerrun.plan.advice import explain, is_echo
from cornerrun.plan.defaults import merge_defaults
from cornerrun.plan.model import Source
from cornerrun.plan.nodes import Loc, Node, ProblemList, Where, plain
from cornerrun.plan.source import Role, read_source
from cornerrun.plan.yaml_text import compose

__all__ = ["Document", "Reader", "load_document", "read_tree"]

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")


@dataclass(frozen=True, kw_only=True, slots=True)
class Document(Generic[M]):
    """A file as its model, its bytes' hash, and where everything in it stands."""

    model: M
    source: Source
    root: Node

    def position(self, loc: Loc) -> tuple[int, int]:
        """Tell line and column, from 1, of ``("rails", 0, "nominal")``; of the nearest thing around it if absent."""
        where = nearest_node(self.root, loc).where
        return where.line, where.column

    def problem(self, loc: Loc, came: str, advice: str, *, at_key: bool = False) -> Problem:
        """Build the problem of one place, for checks that a model cannot do by itself."""
        where, label = place(self.root, loc, at_key=at_key)
        return Problem(path=where.path, line=where.line, column=where.column, field=label, came=came, advice=advice)


@dataclass(frozen=True, kw_only=True, slots=True)
class Reader:
    """A tree that is read part by part, so that a broken part hides no problem of the others."""

    root: Node
    problems: ProblemList

    def part(self, loc: Loc, kind: type[T]) -> T | None:
        """Read one part; None if it is absent or broken. Its problems are those that `check` has added."""
        node = find(self.root, loc)
        if node is None or node.value is None:
            return None
        try:
            return TypeAdapter(kind).validate_python(plain(node))
        except ValidationError:
            return None

    def keys(self, loc: Loc) -> tuple[str, ...]:
        """The keys of a mapping, or the ``name`` of each member of a list, broken ones too."""
        node = find(self.root, loc)
        if node is None:
            return ()
        if node.entries:
            return tuple(node.entries)
        names = (item.entries["name"].node.text for item in node.items if "name" in item.entries)
        return tuple(name.strip() for name in names if name)

    def node(self, loc: Loc) -> Node | None:
        """Find what stands at a place; None if nothing does."""
        return find(self.root, loc)

    def where(self, loc: Loc) -> Where:
        """Tell where something stands; the nearest thing around it if it is absent."""
        return nearest_node(self.root, loc).where

    def add(self, loc: Loc, came: str, advice: str, *, at_key: bool = False) -> None:
        """Add a problem of one place."""
        where, label = place(self.root, loc, at_key=at_key)
        self.problems.add(where, label, came, advice)


def load_document(
    path: Path, model: type[M], *, role: Role, prepare: Callable[[Node, ProblemList], Node] | None = None
) -> Document[M]:
    """Read a YAML file as ``model``; ``defaults`` are merged, then ``prepare`` may change the tree.

    ``defaults: {rail: {...}}`` fills what the members of ``rails`` leave out.

    Raises:
        PlanProblems: all problems of the file.

    """
    problems = ProblemList()
    read = read_tree(path, role, problems)
    if read is not None:
        root, source = read
        if prepare is not None:
            root = prepare(root, problems)
        root = merge_defaults(root, model, problems)
        checked = check(root, model, problems)
        problems.raise_if_any()
        if checked is not None:
            return Document(model=checked, source=source, root=root)
    problems.raise_if_any()
    raise AssertionError("a file that cannot be read leaves a problem")


def read_tree(path: Path, role: Role, problems: ProblemList) -> tuple[Node, Source] | None:
    """Read a YAML file as a tree; None if a problem was added instead."""
    read = read_source(path, role, problems)
    if read is None:
        return None
    text, source = read
    root = compose(path, text, role, problems)
    return None if root is None else (root, source)


def check(root: Node, model: type[M], problems: ProblemList, *, without: tuple[str, ...] = ()) -> M | None:
    """Validate a whole tree; None if problems were added. Sections ``without`` are broken already: passed over."""
    try:
        return model.model_validate(plain(root))
    except ValidationError as error:
        items = error.errors(include_url=False)
        for item in items:
            loc = item["loc"]
            if is_echo(item, items) or (loc and loc[0] in without):
                continue
            said = explain(item, model, find_deepest(root, loc)[0])
            where, label = place(root, loc, at_key=said.at_key)
            if said.missing:
                label = f"{label}.{loc[-1]}" if label else str(loc[-1])
            problems.add(where, label, said.came, said.advice)
        return None


def find(root: Node, loc: Loc) -> Node | None:
    """Go down a path of keys and indices; None if it ends early."""
    node: Node | None = root
    for step in loc:
        node = node.child(step) if node is not None else None
    return node


def find_deepest(root: Node, loc: Loc) -> tuple[Node, tuple[str | int, ...]]:
    """Go down as far as the tree goes, past steps that only the validator knows; return also the steps taken."""
    node, taken = root, list[str | int]()
    for step in loc:
        below = node.child(step)
        if below is not None:
            node = below
            taken.append(step)
    return node, tuple(taken)


def nearest_node(root: Node, loc: Loc) -> Node:
    """Find a node, or the nearest one around the place where it would stand."""
    return find_deepest(root, loc)[0]


def place(root: Node, loc: Loc, *, at_key: bool = False) -> tuple[Where, str]:
    """Tell where something stands and how messages name it; ``at_key`` points at the key, not at its value."""
    node, taken = find_deepest(root, loc)
    if taken and (at_key or node.value is None):
        above = find(root, taken[:-1])
        entry = above.entries.get(str(taken[-1])) if above is not None else None
        if entry is not None:
            return entry.where, node.label
    return node.where, node.label
