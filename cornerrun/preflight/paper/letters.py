"""What a run would say to bus, meter, conditions and checks, in order, step by step."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from cornerrun.corners.model import Step
from cornerrun.run.progress import ProgressEvent, StepStarted, VisitEnded

__all__ = ["Letter", "Letters", "Section", "folded"]

Kind = Literal["read", "write", "meter", "condition", "check"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Letter:
    """One message: when, to whom, and what; ``page`` is the one that the device is at, None where it has none."""

    at_s: float
    to: str
    kind: Kind
    what: str
    data: str = ""
    page: int | None = None

    @property
    def key(self) -> tuple[object, ...]:
        """All but the time."""
        return (self.to, self.kind, self.what, self.data, self.page)


@dataclass(frozen=True, kw_only=True)
class Section:
    """The messages of one step; ``step`` is None before the first and after the last."""

    title: str
    step: Step | None
    letters: list[Letter] = field(default_factory=list)


class Letters:
    """Collect messages, and hear from the run's own progress which step they belong to."""

    def __init__(self) -> None:
        self.sections = [Section(title="before the first step", step=None)]

    def tell(self, event: ProgressEvent) -> None:
        """Open a section when a step starts, and another when it is over."""
        match event:
            case StepStarted(step=step):
                kind = "control point" if step.is_control else step.corner.name
                self.sections.append(Section(title=f"visit {step.ordinal}: {kind}", step=step))
            case VisitEnded():
                self.sections.append(Section(title="after the last step", step=None))

    def add(self, letter: Letter) -> None:
        """Take a message."""
        self.sections[-1].letters.append(letter)

    def whole(self) -> tuple[Section, ...]:
        """Tell the sections that hold anything, or belong to a step."""
        return tuple(section for section in self.sections if section.letters or section.step is not None)


_LONGEST = 200  # chosen: a sweep over 40 rails with load is as long as this


def folded(letters: Sequence[Letter]) -> tuple[tuple[int, tuple[Letter, ...]], ...]:
    """Fold stretches that repeat at once: (how often, messages), so that a watch of minutes reads as one sweep.

    Unfolding gives back every message but its time.
    """
    keys = [letter.key for letter in letters]
    found: list[tuple[int, tuple[Letter, ...]]] = []
    start = plain = 0
    while start < len(keys):
        size = next((n for n in _periods(keys, start) if keys[start : start + n] == keys[start + n : start + 2 * n]), 0)
        if not size:
            start += 1
            continue
        if plain < start:
            found.append((1, tuple(letters[plain:start])))
        times = 2
        while keys[start : start + size] == keys[start + times * size : start + (times + 1) * size]:
            times += 1
        found.append((times, tuple(letters[start : start + size])))
        start = plain = start + times * size
    if plain < len(keys):
        found.append((1, tuple(letters[plain:])))
    return tuple(found)


def _periods(keys: Sequence[object], start: int) -> Sequence[int]:
    """List how far on the message at a place comes again."""
    last = min(start + _LONGEST, len(keys) - 1)
    return [at - start for at in range(start + 1, last + 1) if keys[at] == keys[start]]
