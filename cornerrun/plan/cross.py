"""What the parts of a plan say of each other: the pass after each part is valid by itself.

Parts that are broken are left out, but their names stay known, so that one mistake makes one problem.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from cornerrun.plan.condition_file import ConditionFile
from cornerrun.plan.document import Reader
from cornerrun.plan.nearest import suggestion
from cornerrun.plan.nodes import Loc
from cornerrun.plan.rail_file import DeviceFile, RailFile
from cornerrun.plan.rail_levels import resolved_levels
from cornerrun.plan.trim_file import TrimSweepFile
from cornerrun.units import Kind, show

__all__ = ["Board", "board_of", "repeated", "volts"]

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Board:
    """All that names can refer to: valid parts by name or index, and the names of every part, broken ones too.

    ``levels`` holds the levels in volts of each valid rail whose chain is sound. ``has_nameless`` says that names of
    rails, groups or devices could not be read, so that an unknown name means nothing.
    """

    reader: Reader
    rail_names: tuple[str, ...]
    rails: Mapping[int, RailFile]
    rail_index: Mapping[str, int]
    devices: Mapping[str, DeviceFile]
    device_names: tuple[str, ...]
    groups: Mapping[str, tuple[str, ...]]
    conditions: Mapping[int, ConditionFile]
    levels: Mapping[str, Mapping[str, float]]
    has_nameless: bool

    @property
    def rails_by_name(self) -> Mapping[str, RailFile]:
        """Valid rails by name; of rails with the same name the first."""
        return {name: self.rails[index] for name, index in self.rail_index.items()}

    def rail(self, name: str) -> RailFile | None:
        """A valid rail; None for one that is broken or unknown."""
        index = self.rail_index.get(name)
        return None if index is None else self.rails[index]

    def is_commanded(self, name: str) -> bool:
        """Whether the product itself moves this rail."""
        rail = self.rail(name)
        return rail is not None and rail.tracks is None and len(self.levels.get(name, ())) > 1

    def add(self, loc: Loc, came: str, advice: str, *, at_key: bool = False) -> None:
        """Add a problem of one place."""
        self.reader.add(loc, came, advice, at_key=at_key)

    def knows_rail(self, name: str, loc: Loc, *, at_key: bool = False) -> bool:
        """Whether a rail has this name; adds the problem if not."""
        if name in self.rail_names:
            return True
        if self.has_nameless:
            return False
        self.add(loc, f"no rail is called {name!r}", suggestion(name, self.rail_names), at_key=at_key)
        return False

    def members(self, name: str, loc: Loc, *, at_key: bool = False) -> tuple[str, ...]:
        """The rails that a rail's or a group's name stands for; adds the problem and gives none if it is unknown."""
        if name in self.rail_names:
            return (name,)
        if name in self.groups:
            return tuple(rail for rail in dict.fromkeys(self.groups[name]) if rail in self.rail_names)
        if name not in self.reader.keys(("groups",)) and not self.has_nameless:
            known = (*self.rail_names, *self.groups)
            self.add(loc, f"no rail or group is called {name!r}", suggestion(name, known), at_key=at_key)
        return ()

    def has_level(self, name: str, level: str, loc: Loc) -> bool:
        """Whether a rail has a level; adds the problem if not. A broken rail is taken to have every level."""
        levels = self.levels.get(name)
        if levels is None or level in levels:
            return True
        if len(levels) == 1:
            self.add(loc, f"{name} is never moved, and has no level {level!r}", "leave it out, or give it a margin")
        else:
            self.add(loc, f"{name} has no level {level!r}", suggestion(level, levels))
        return False


def volts(value_v: float) -> str:
    """Write a voltage for a message, with digits enough to tell two apart."""
    return show(value_v, Kind.VOLTAGE, digits=7)


def board_of(reader: Reader) -> Board:
    """Gather the valid parts of a plan."""
    rails = _valid(reader, "rails", RailFile, len(_list(reader, "rails")))
    first: dict[str, int] = {}
    for index, rail in rails.items():
        first.setdefault(rail.name, index)
    names = reader.keys(("devices",))
    devices = {name: part for name in names if (part := reader.part(("devices", name), DeviceFile)) is not None}
    groups = {
        name: members
        for name in reader.keys(("groups",))
        if (members := reader.part(("groups", name), tuple[str, ...])) is not None
    }
    return Board(
        reader=reader,
        rail_names=tuple(dict.fromkeys(reader.keys(("rails",)))),
        rails=rails,
        rail_index=first,
        devices=devices,
        device_names=names,
        groups=groups,
        conditions=_valid(reader, "conditions", ConditionFile, len(_list(reader, "conditions"))),
        levels=_levels(reader, {name: rails[index] for name, index in first.items()}, groups),
        has_nameless=_has_nameless(reader),
    )


def _levels(
    reader: Reader, rails: Mapping[str, RailFile], groups: Mapping[str, tuple[str, ...]]
) -> Mapping[str, Mapping[str, float]]:
    sweep = reader.part(("trim",), TrimSweepFile)
    named = sweep.rails if sweep is not None else None
    swept = None if named is None else {member for name in named for member in groups.get(name, (name,))}
    return resolved_levels(rails, sweep, swept)


def _has_nameless(reader: Reader) -> bool:
    rails = reader.root.child("rails")
    names = [item.child("name") for item in rails.items] if rails is not None else []
    sections = [reader.root.child("devices"), reader.root.child("groups")]
    is_broken = any(node is not None and node.value is not None and not node.entries for node in sections)
    return is_broken or any(name is None or name.text is None for name in names)


def _list(reader: Reader, key: str) -> tuple[object, ...]:
    entry = reader.root.entries.get(key)
    return entry.node.items if entry is not None else ()


def _valid(reader: Reader, key: str, kind: type[T], count: int) -> dict[int, T]:
    return {index: part for index in range(count) if (part := reader.part((key, index), kind)) is not None}


def repeated(names: Iterable[str]) -> Iterable[tuple[int, str]]:
    """Go through the names that stood before in a list, with their indices."""
    seen: set[str] = set()
    for index, name in enumerate(names):
        if name in seen:
            yield index, name
        seen.add(name)
