"""What a run asks of its guardian, and the one for benches that need none."""

from types import TracebackType
from typing import Protocol, TypeVar

from cornerrun.bench.ports import Baseline, BenchPorts, RestoreRecipe
from cornerrun.clock import Clock, SystemClock
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.run.guardian_arrivals import reachable_links, reachable_supplies

__all__ = ["UNGUARDED", "Guardianship", "guardian_of"]

T = TypeVar("T")


class Guardianship(Protocol):
    """Looks after the board of a run that may be lost. Entered before the run's first word to the bench."""

    def __enter__(self) -> None:
        """Begin to come up, beside what the run does first."""
        ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Go; but bring the board back first if it may be away from nominal."""
        ...

    def answer_for(self, recipe: RestoreRecipe, baseline: Baseline, store: str, /) -> None:
        """Take the way back, and be ready. BenchError if that fails: then nothing may be moved."""
        ...

    def told_phase(self, phase: str, /) -> None:
        """Take notice of what the run is doing."""
        ...

    def keeper(self, store: T, /) -> T:
        """Return a store that tells of each step before it is done, and may take its time on a slow disk."""
        ...


def guardian_of(
    plan: Plan, bench_file: BenchFile, bench: BenchPorts, clock: Clock, *, lock_fd: int | None
) -> Guardianship:
    """Make the guardian of a bench: a process for one that is reached from outside, nobody for one in this process."""
    if bench.is_private or not isinstance(clock, SystemClock):
        return UNGUARDED
    if not reachable_links(bench_file) and not reachable_supplies(plan, bench_file):
        return UNGUARDED
    from cornerrun.run.guardian_link import GuardianLink

    return GuardianLink(plan=plan, bench_file=bench_file, bench=bench, clock=clock, lock_fd=lock_fd)


class _Unguarded:
    """For a bench inside this process: it ends with it."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        return None

    def answer_for(self, *_: object) -> None:
        return None

    def told_phase(self, *_: object) -> None:
        return None

    def keeper(self, store: T, /) -> T:
        return store


UNGUARDED: Guardianship = _Unguarded()
