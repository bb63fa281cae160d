"""Many runs together: yield over boards, control charts of trim error, outliers."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Literal

from cornerrun.report.comparing.boards_nouns import BoardDigest, BoardsSummary, Outlier, RailChart, Yield
from cornerrun.results.records import Outcome, RunResult
from cornerrun.stats.interval import Interval
from cornerrun.stats.proportions import proportion_interval

__all__ = ["summarise_boards"]

_MANY_RECOVERED = 0.1  # chosen: a tenth of the boards that failed; common practice looks at the bench then
_LEAST_FOR_OUTLIERS = 4
_NOT_MET = {Outcome.NOT_RUN, Outcome.SKIPPED}

Verdict = bool | None


def summarise_boards(digests: Iterable[BoardDigest], *, claim_ratio: float | None = None) -> BoardsSummary:
    """Put runs together, in any order. A board is a serial number; its first and last run are told by their start.

    Of a corner, a check and a rail, first and last are of the runs that met it. The same digests give the same
    summary. ``claim_ratio`` is the trim accuracy claimed, for capability.
    """
    ordered = sorted(digests, key=lambda item: (item.started_utc, item.run_id))
    first: dict[str, BoardDigest] = {}
    last: dict[str, BoardDigest] = {}
    for item in ordered:
        first.setdefault(item.serial, item)
        last[item.serial] = item
    total = _yield(
        "all",
        "boards",
        {serial: _of_result(item.result) for serial, item in first.items()},
        {serial: _of_result(item.result) for serial, item in last.items()},
        boards=len(first),
    )
    yields = [
        *_yields("corner", ordered, lambda item: item.corners),
        *_yields("check", ordered, _by_check),
        *_yields("rail", ordered, lambda item: item.rails),
    ]
    charts = tuple(_charts(ordered, claim_ratio))
    return BoardsSummary(
        runs=len(ordered),
        boards=len(first),
        first_utc=ordered[0].started_utc if ordered else None,
        last_utc=ordered[-1].started_utc if ordered else None,
        stations=dict(Counter(item.station for item in ordered)),
        titles=dict(Counter(item.title for item in ordered)),
        results=dict(Counter(item.result for item in ordered)),
        total=total,
        yields=tuple(yields),
        charts=charts,
        outliers=tuple(_outliers(ordered)),
        digests=tuple(ordered),
        cautions=_cautions(ordered, total, charts),
    )


def _by_check(item: BoardDigest) -> Mapping[str, Outcome]:
    """Tell the first outcome by precedence of every check over all corners."""
    order = list(Outcome)
    return {check: min(found.values(), key=order.index) for check, found in item.checks.items()}


def _yields(
    kind: Literal["corner", "check", "rail"],
    ordered: Sequence[BoardDigest],
    outcomes: Callable[[BoardDigest], Mapping[str, Outcome]],
) -> list[Yield]:
    first: dict[str, dict[str, Verdict]] = {}
    last: dict[str, dict[str, Verdict]] = {}
    for item in ordered:
        for name, outcome in outcomes(item).items():
            if outcome not in _NOT_MET:
                first.setdefault(name, {}).setdefault(item.serial, _of_outcome(outcome))
                last.setdefault(name, {})[item.serial] = _of_outcome(outcome)
    boards = len({item.serial for item in ordered})
    made = [_yield(kind, name, first[name], last[name], boards=boards) for name in first]
    return sorted(made, key=lambda item: (item.first.estimate is None, item.first.estimate or 0.0, item.name))


def _yield(
    kind: Literal["all", "corner", "check", "rail"],
    name: str,
    before: Mapping[str, Verdict],
    after: Mapping[str, Verdict],
    *,
    boards: int,
) -> Yield:
    first_passed, first_boards = _count(before)
    final_passed, final_boards = _count(after)
    return Yield(
        kind=kind,
        name=name,
        first_passed=first_passed,
        first_boards=first_boards,
        first=proportion_interval(first_passed, first_boards),
        final_passed=final_passed,
        final_boards=final_boards,
        final=proportion_interval(final_passed, final_boards),
        recovered=sum(before[serial] is False and after[serial] is True for serial in before),
        no_verdict_first=boards - first_boards,
        no_verdict_final=boards - final_boards,
    )


def _count(verdicts: Mapping[str, Verdict]) -> tuple[int, int]:
    found = [item for item in verdicts.values() if item is not None]
    return sum(found), len(found)


def _of_result(result: RunResult) -> Verdict:
    return {RunResult.PASS: True, RunResult.FAIL: False}.get(result)


def _of_outcome(outcome: Outcome) -> Verdict:
    if outcome is Outcome.PASS:
        return True
    return False if outcome.is_product_failure else None


def _values(ordered: Sequence[BoardDigest]) -> Mapping[str, dict[str, tuple[str, float]]]:
    """Take each rail's trim error of every board, by the first run that has one; with that run."""
    found: dict[str, dict[str, tuple[str, float]]] = {}
    for item in ordered:
        for rail, error in item.trim_error_ratio.items():
            found.setdefault(rail, {}).setdefault(item.serial, (item.run_id, error))
    return found


def _charts(ordered: Sequence[BoardDigest], claim_ratio: float | None) -> Iterable[RailChart]:
    from cornerrun.stats.control_charts import individuals_limits, moving_range_limits

    for rail, boards in _values(ordered).items():
        serials = tuple(boards)
        errors = tuple(error for _, error in boards.values())
        has_scatter = len(set(errors)) > 1
        limits = individuals_limits(errors) if has_scatter else None
        moving = moving_range_limits(errors) if has_scatter else None
        yield RailChart(
            rail=rail,
            serials=serials,
            errors_ratio=errors,
            centre=None if limits is None else limits.centre,
            lower=None if limits is None else limits.lower,
            upper=None if limits is None else limits.upper,
            beyond=() if limits is None else tuple(serials[index] for index in limits.beyond),
            moving_range=None if moving is None else moving.centre,
            moving_range_upper=None if moving is None else moving.upper,
            jumps=() if moving is None else tuple(serials[index] for index in moving.beyond),
            claim_ratio=claim_ratio,
            capability=None if claim_ratio is None or limits is None else _capability(errors, claim_ratio),
        )


def _capability(errors: Sequence[float], claim_ratio: float) -> Interval:
    from cornerrun.stats.capability import capability

    return capability(errors, lower=-claim_ratio, upper=claim_ratio).cpk_interval


def _outliers(ordered: Sequence[BoardDigest]) -> Iterable[Outlier]:
    from cornerrun.stats.screening import part_average_limits

    for rail, boards in _values(ordered).items():
        if len(boards) < _LEAST_FOR_OUTLIERS:
            continue
        errors = [error for _, error in boards.values()]
        limits = part_average_limits(errors)
        for index in limits.outliers(errors):
            serial = list(boards)[index]
            yield Outlier(
                rail=rail,
                serial=serial,
                run_id=boards[serial][0],
                error_ratio=errors[index],
                low=limits.low,
                high=limits.high,
                is_thin=limits.is_thin,
            )


def _cautions(ordered: Sequence[BoardDigest], total: Yield, charts: Sequence[RailChart]) -> tuple[str, ...]:
    found = []
    if any(item.is_simulated for item in ordered):
        found.append("SIMULATED benches are among these runs: nothing here says anything of real boards.")
    if len({item.title for item in ordered}) > 1:
        found.append("Several plans are among these runs: filter by --plan before a yield is quoted.")
    if len({item.revision for item in ordered}) > 1:
        found.append("Several revisions of the board are among these runs.")
    parts = sum(item.is_part for item in ordered)
    if parts:
        found.append(f"{parts} runs were of some corners only (--only): what they pass is these corners, not the plan.")
    failed_first = total.first_boards - total.first_passed
    if failed_first and total.recovered > max(1, _MANY_RECOVERED * failed_first):
        found.append(
            f"{total.recovered} of {failed_first} boards that failed first passed later: look at the bench, and for "
            "faults that come and go. Testing until it passes lets such faults out."
        )
    if total.no_verdict_final:
        found.append(f"{total.no_verdict_final} boards have no verdict at their last run; no share counts them.")
    if any(len(chart.serials) < 20 for chart in charts):
        found.append("Control limits of fewer than twenty boards are loose.")
    return tuple(found)
