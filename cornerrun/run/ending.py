"""Decide what a run that has ended is called, and with which code the command line ends."""

from collections.abc import Sequence
from dataclasses import dataclass

from cornerrun.corners.model import Step
from cornerrun.errors import EXIT_BENCH, EXIT_FAIL, EXIT_INTERRUPTED, EXIT_PASS, EXIT_UNSAFE
from cornerrun.plan.model import Plan
from cornerrun.results.records import EndState, InstrumentRecord, RunResult, VisitRecord
from cornerrun.results.verdict import RunVerdict, judge
from cornerrun.run.sequence import Trouble

__all__ = ["RunEnd", "conclude", "exit_code"]


@dataclass(frozen=True, kw_only=True, slots=True)
class RunEnd:
    """How a run ended: what it says of its board, where the board is, and what the command line ends with."""

    run_id: str
    result: RunResult
    end_state: EndState
    exit_code: int
    why: str


def exit_code(result: RunResult, end_state: EndState, trouble: Trouble | None) -> int:
    """Tell the exit code: where the board is comes first, then a signal, then trouble, then the result."""
    if end_state is not EndState.NOMINAL:
        return EXIT_UNSAFE
    if trouble is Trouble.STOP:
        return EXIT_INTERRUPTED
    if trouble in {Trouble.STORE, Trouble.GUARDIAN, Trouble.INTERNAL}:
        return EXIT_BENCH
    return {RunResult.PASS: EXIT_PASS, RunResult.FAIL: EXIT_FAIL}.get(result, EXIT_BENCH)


def conclude(
    plan: Plan,
    planned: Sequence[Step],
    visits: Sequence[VisitRecord],
    *,
    instruments: Sequence[InstrumentRecord],
    trouble: Trouble | None,
    end_state: EndState,
    why: str,
) -> RunVerdict:
    """Judge a run, and put before it what ended it early, if anything did.

    A board that did not come back to nominal was never seen to be well at the end: that is no pass.
    """
    verdict = judge(plan, planned, visits, interrupted=trouble is Trouble.STOP, instruments=instruments)
    result = verdict.result
    if result is RunResult.PASS and (end_state is not EndState.NOMINAL or trouble is not None):
        result = RunResult.INCONCLUSIVE
    return RunVerdict(result=result, why="; ".join(dict.fromkeys(text for text in (why, verdict.why) if text)))
