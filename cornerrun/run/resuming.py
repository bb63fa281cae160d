"""Go on with a run that ended early: what is left of it, and whether board and files are still what they were."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from cornerrun.bench.ports import Baseline
from cornerrun.corners.model import Step
from cornerrun.errors import DeviceRefused, NotAtNominal, UsageError
from cornerrun.plan.model import Plan, Source
from cornerrun.results.configuration import differences
from cornerrun.results.records import EndState, Outcome, Run, RunData, RunResult, VisitRecord

__all__ = ["Resumed", "compare_baseline", "compare_devices", "compare_sources", "to_resume"]

# Visits that ended so say nothing of the product, and are made again if they were the last.
_BROKEN_OFF = frozenset({Outcome.ABORTED, Outcome.ERROR})


@dataclass(frozen=True, kw_only=True, slots=True)
class Resumed:
    """A run to go on with: the visits that stay, those that are made again, and the steps that are left."""

    run: Run
    earlier: tuple[VisitRecord, ...]
    again: tuple[VisitRecord, ...]
    left: tuple[Step, ...]
    planned: tuple[Step, ...]
    is_proved: bool
    tried: frozenset[tuple[str, str]] = frozenset()

    def tripped(self) -> Iterator[tuple[Step, bool]]:
        """Give the steps that tripped, each with whether nothing was visited since, so that a retry may be due."""
        by_name = {(step.corner.name, step.repeat): step for step in self.planned if not step.is_control}
        visits = [record.visit for record in self.earlier if not record.visit.is_control]
        for visit in visits:
            if visit.outcome is Outcome.TRIPPED:
                step = replace(by_name[visit.corner, visit.repeat], ordinal=visit.ordinal)
                yield step, visit is visits[-1]

    @property
    def next_ordinal(self) -> int:
        """The first number after the visits that were made."""
        return max((record.visit.ordinal for record in self.earlier), default=-1) + 1


def to_resume(plan: Plan, data: RunData, planned: Sequence[Step]) -> Resumed:
    """Tell what is left of a run.

    Visits that were aborted, and a last one that ended in an error, are made again. UsageError says why a run cannot
    go on: it never ended, it is complete, nothing after its control point would count, or the plan ended it.
    """
    run = data.run
    if run.ended_utc is None:
        raise UsageError(
            f"run {run.run_id} never ended, so its board may be away from nominal; first `cornerrun to-nominal`"
        )
    if len(planned) != run.planned_visits:
        raise UsageError(
            f"run {run.run_id} had {run.planned_visits} planned visits, and its plan gives {len(planned)} now; "
            "start a new run"
        )
    again = [record for record in data.visits if record.visit.outcome is Outcome.ABORTED]
    if data.visits and data.visits[-1].visit.outcome is Outcome.ERROR:
        again.append(data.visits[-1])
    redone = {record.visit.ordinal for record in again}
    earlier = tuple(record for record in data.visits if record.visit.ordinal not in redone)
    done = {record.visit.ordinal for record in earlier}
    left = tuple(step for step in planned if step.ordinal not in done)
    if not left:
        raise UsageError(f"run {run.run_id} is complete: every planned visit was made")
    if run.result is RunResult.INVALID:
        raise UsageError(f"run {run.run_id} is invalid, so nothing after it would count; start a new run ({run.why})")
    last = next((record.visit for record in reversed(earlier) if not record.visit.is_control), None)
    stops = plan.policy.on_fail == "stop" and last is not None and last.outcome.is_product_failure
    if stops and not again and run.end_state is EndState.NOMINAL:
        raise UsageError(f"run {run.run_id} ended at its first failure, as its plan asks; there is nothing to resume")
    commanded = {rail.name for rail in plan.commanded_rails}
    return Resumed(
        run=run,
        earlier=earlier,
        again=tuple(again),
        left=left,
        planned=tuple(planned),
        is_proved=commanded <= {step.rail for step in data.proof},
        tried=frozenset((trial.rail, trial.fault) for trial in data.fault_trials),
    )


def compare_sources(run: Run, sources: Sequence[Source], *, but: Collection[str] = ()) -> None:
    """Compare the files of a run, except the roles ``but``, with those read now, by hash; UsageError names the odd."""
    was = _hashes(one for one in run.sources if one.role not in but)
    now = _hashes(sources)
    changed = [name for (role, name), found in now.items() if was.get((role, name)) != found]
    gone = [name for (role, name) in was if (role, name) not in now]
    if changed or gone:
        told = [f"{name} has changed" for name in dict.fromkeys(changed)] + [f"{name} is not read now" for name in gone]
        raise UsageError(
            f"run {run.run_id} began with other files: {'; '.join(told)}; bring them back, or start a new run"
        )


def _hashes(sources: Iterable[Source]) -> Mapping[tuple[str, str], Sequence[str]]:
    """Give the hashes by role and name: files of one name in several folders are compared together."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in sources:
        found.setdefault((one.role, one.path.name), []).append(one.sha256)
    return {key: sorted(hashes) for key, hashes in found.items()}


def compare_devices(run: Run, devices: Mapping[str, Mapping[str, str]]) -> None:
    """Compare the identities of the devices with those of the run; DeviceRefused if it is another board."""
    for name, texts in run.devices.items():
        if dict(devices.get(name, {})) != dict(texts):
            raise DeviceRefused(
                f"{name} says it is {dict(devices.get(name, {}))}, and was {dict(texts)} when run {run.run_id} began; "
                f"connect the board with serial {run.serial!r} again"
            )


def compare_baseline(plan: Plan, was: Baseline, now: Baseline) -> None:
    """Compare the registers that a run restores with those it found; NotAtNominal names each that differs."""
    found = differences(was.registers, now.registers, plan, but=("PAGE",))
    if found:
        told = "; ".join(f"{one.rail or one.device}: {one.register}" for one in found)
        raise NotAtNominal(
            f"the board is not set up as the run found it ({told}); bring it back with `cornerrun to-nominal`"
        )
