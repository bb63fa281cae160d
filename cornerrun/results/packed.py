"""Many records of one kind, held column by column: a million readings need a tenth of their memory so."""

from array import array
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from itertools import chain, pairwise
from typing import Any, Generic, Protocol, TypeVar, cast, overload

__all__ = ["Packed", "Packer", "column_of", "fields_of"]

T = TypeVar("T")


# Any below: a field holds whatever its record says.


class _Put(Protocol):
    def __call__(self, record: object, value: object, /) -> None: ...


class _Gappy:
    """Numbers of which some are missing: these are kept as NaN."""

    __slots__ = ("_numbers",)

    def __init__(self, values: Iterable[float | None]) -> None:
        self._numbers = array("d", [float("nan") if value is None else value for value in values])

    def __iter__(self) -> Iterator[float | None]:
        return (None if number != number else number for number in self._numbers)  # noqa: PLR0124 - only NaN is unequal

    def __getitem__(self, index: int) -> float | None:
        number = self._numbers[index]
        return None if number != number else number  # noqa: PLR0124


class _Paths:
    """Paths of any length, each of pairs of numbers."""

    __slots__ = ("_ends", "_numbers")

    def __init__(self, paths: Sequence[Sequence[tuple[float, float]]]) -> None:
        self._numbers = array("d", chain.from_iterable(chain.from_iterable(paths)))
        self._ends = array("q", [0])
        for path in paths:
            self._ends.append(self._ends[-1] + 2 * len(path))

    def __iter__(self) -> Iterator[tuple[tuple[float, float], ...]]:
        return (self._between(start, end) for start, end in pairwise(self._ends))

    def __getitem__(self, index: int) -> tuple[tuple[float, float], ...]:
        place = index % (len(self._ends) - 1)
        return self._between(self._ends[place], self._ends[place + 1])

    def _between(self, start: int, end: int) -> tuple[tuple[float, float], ...]:
        return tuple(zip(self._numbers[start:end:2], self._numbers[start + 1 : end : 2], strict=True))


class _Column(Protocol):
    """One field of all records: a tuple, an array, or one of the above."""

    def __iter__(self) -> Iterator[object]: ...

    def __getitem__(self, index: int, /) -> object: ...


class _Layout(Generic[T]):
    """What is known of a kind of records: where their fields lie, and how they are put into one."""

    __slots__ = ("kind", "places", "putters")

    def __init__(self, kind: type[T]) -> None:
        if not is_dataclass(kind) or not hasattr(kind, "__slots__") or hasattr(kind, "__post_init__"):
            raise TypeError(f"{kind.__name__} is no dataclass with slots that holds values and does nothing else")
        self.kind = kind
        self.places = {item.name: place for place, item in enumerate(fields(kind))}
        self.putters = tuple(cast("_Put", getattr(kind, name).__set__) for name in self.places)


def column_of(records: Sequence[T], name: str) -> Iterable[Any]:
    """Return one field of all records; of packed ones no record is made for it."""
    return records.column(name) if isinstance(records, Packed) else [getattr(record, name) for record in records]


def fields_of(records: Sequence[T], *names: str) -> Iterator[tuple[Any, ...]]:
    """Give some fields of each record; of packed ones no record is made for it."""
    return zip(*(column_of(records, name) for name in names), strict=True)


class Packed(Sequence[T]):
    """Frozen records of one kind, as a tuple would hold them: each is made anew whenever it is looked at.

    `Packer` makes these. Two are equal if their records are; identity says nothing.
    """

    __slots__ = ("_columns", "_count", "_layout")

    def __init__(self, layout: _Layout[T], columns: Iterable[_Column], count: int) -> None:
        self._layout = layout
        self._columns = tuple(columns)
        self._count = count

    def column(self, name: str) -> Iterable[Any]:
        """Return one field of all records: that needs no record to be made. KeyError if they have no such field."""
        return self._columns[self._layout.places[name]]

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> T: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[T, ...]: ...
    def __getitem__(self, index: int | slice) -> T | tuple[T, ...]:
        if isinstance(index, slice):
            return tuple(self)[index]
        if not -self._count <= index < self._count:
            raise IndexError(f"{index} of {self._count} records")
        record = object.__new__(self._layout.kind)
        for put, column in zip(self._layout.putters, self._columns, strict=True):
            put(record, column[index])
        return record

    def __iter__(self) -> Iterator[T]:
        # Field by field, by the descriptors of the slots: a third of the time that calls of the class would take.
        kind = self._layout.kind
        records = [object.__new__(kind) for _ in range(self._count)]
        for put, column in zip(self._layout.putters, self._columns, strict=True):
            deque(map(put, records, column), maxlen=0)
        return iter(records)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, tuple | Packed):
            return NotImplemented
        return len(self) == len(other) and all(one == another for one, another in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash(tuple(self))

    def __repr__(self) -> str:
        return repr(tuple(self))


class Packer(Generic[T]):
    """Packs records of one kind; columns that come again, as names and levels do, are held once.

    ``alike`` names the fields of numbers that come again: targets do, what instruments read does not. ``paths`` names
    the fields that hold pairs of numbers, as many as there are.
    """

    def __init__(self, kind: type[T], *, alike: Iterable[str] = (), paths: Iterable[str] = ()) -> None:
        self._layout = _Layout(kind)
        self._alike = {self._layout.places[name] for name in alike}
        self._paths = {self._layout.places[name] for name in paths}
        self._held: list[dict[object, _Column]] = [{} for _ in self._layout.places]

    def pack(self, records: Sequence[T]) -> Sequence[T]:
        """Pack records."""
        return self.packed([[getattr(record, name) for record in records] for name in self._layout.places])

    def packed(self, columns: Sequence[Sequence[object]]) -> Sequence[T]:
        """Pack the records that have these values, column by column in the order of their fields."""
        if not columns or not columns[0]:
            return ()
        return Packed(self._layout, [self._column(*item) for item in enumerate(columns)], len(columns[0]))

    def _column(self, place: int, values: Sequence[object]) -> _Column:
        if place in self._paths:
            return _Paths(cast("Sequence[Sequence[tuple[float, float]]]", values))
        kinds = set(map(type, values))
        if kinds == {float}:
            numbers = array("d", cast("Sequence[float]", values))
            # By their bytes: zeros have signs, and NaN is not equal to itself.
            return self._held[place].setdefault(numbers.tobytes(), numbers) if place in self._alike else numbers
        if kinds == {float, type(None)} and not any(value != value for value in values):  # noqa: PLR0124
            return _Gappy(cast("Sequence[float | None]", values))
        whole = tuple(values)
        # Equal values need not be the same (1 == True == 1.0): they are looked up by their kind too.
        return self._held[place].setdefault((*kinds, whole), whole) if len(kinds) == 1 else whole
