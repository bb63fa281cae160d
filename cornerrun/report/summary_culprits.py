"""Who is to blame for failing corners: suspects, evidence, and the corner to run next."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.corners.admissible import Admissible
from cornerrun.corners.factors import Factors
from cornerrun.corners.names import conditions_suffix
from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.report.analysis_nouns import CulpritSummary, LikelyCulprit, RailEffect, SuspectRow
from cornerrun.report.next_corner import proposals
from cornerrun.results.decision import CheckTally
from cornerrun.results.records import Outcome, RunData, VisitRecord
from cornerrun.stats.culprit_words import CulpritReport, culprit_report
from cornerrun.stats.culprits import Suspect, surviving_suspects
from cornerrun.stats.likely_suspects import LikelySuspect, likely_suspects
from cornerrun.stats.proportions import proportion_interval

__all__ = ["VOLTAGES", "culprit_summaries"]

VOLTAGES = "voltages and trips"
_MOST = 20  # chosen: more suspects than anybody follows up; the total stands beside them
_CONVINCED = 0.05
_CAUSES = 4  # chosen: a board with more independent causes needs a person first
_EQUAL = 1e-9  # chosen: the rounding of log-likelihoods
_FAILED = {Outcome.TRIPPED, Outcome.NOT_SETTLED, Outcome.FAIL_VOLTAGE}
_GONE_THROUGH = {Outcome.PASS, Outcome.FAIL_FUNCTIONAL, Outcome.NO_ANSWER}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Row:
    """A corner: where its factors were, and how many of so many trials (or visits) failed."""

    levels: Mapping[str, str]
    failures: int
    trials: int


def culprit_summaries(
    plan: Plan, data: RunData, good: Sequence[VisitRecord], tallies: Sequence[CheckTally]
) -> tuple[CulpritSummary, ...]:
    """Analyse every check that failed at some corner, in plan order, then voltages and trips; nothing for what passed.

    Rails tied to another are told by the rail that leads; conditions stand beside rails.
    """
    board = _Board(plan, data)
    found = []
    for check in dict.fromkeys([*(check.name for check in plan.checks), *(tally.check for tally in tallies)]):
        rows = [
            _Row(levels=levels, failures=tally.failures, trials=tally.trials)
            for tally in tallies
            if tally.check == check and tally.trials and (levels := board.levels(tally.corner)) is not None
        ]
        found.append(_summary(board, check, rows))
    visits: dict[str, list[Outcome]] = {}
    for record in good:
        if record.visit.outcome in _FAILED | _GONE_THROUGH:
            visits.setdefault(record.visit.corner, []).append(record.visit.outcome)
    rows = [
        _Row(levels=levels, failures=sum(outcome in _FAILED for outcome in outcomes), trials=len(outcomes))
        for corner, outcomes in visits.items()
        if (levels := board.levels(corner)) is not None
    ]
    found.append(_summary(board, VOLTAGES, rows))
    return tuple(item for item in found if item is not None)


class _Board:
    """Know where each factor was at each corner."""

    def __init__(self, plan: Plan, data: RunData) -> None:
        self.leaders = tuple(factor.rail for factor in Factors(plan).all)
        self.admissible = Admissible(plan)
        varied = {condition.name for condition in plan.conditions if len(condition.levels) > 1}
        self._levels: dict[str, dict[str, str]] = {}
        for corner in data.run.corners:
            there = {item.condition: item.level for item in corner.conditions if item.condition in varied}
            by_rail = corner.by_rail()
            self._levels[corner.name] = {rail: by_rail.get(rail, NOMINAL) for rail in self.leaders} | there
            # Control points stand at nominal under the same conditions, and are no corner of the selection.
            nominal = NOMINAL + conditions_suffix(corner.conditions)
            self._levels.setdefault(nominal, dict.fromkeys(self.leaders, NOMINAL) | there)
        if not varied:
            self._levels.setdefault(NOMINAL, dict.fromkeys(self.leaders, NOMINAL))

    def levels(self, corner: str) -> Mapping[str, str] | None:
        """The level of each factor at a corner; None for one that nobody planned."""
        return self._levels.get(corner)

    def may_run(self, levels: Mapping[str, str]) -> bool:
        """Whether a corner may be visited."""
        spelled = self.admissible.spelled({rail: levels[rail] for rail in self.leaders})
        return spelled is not None and self.admissible.allows(spelled)


def _summary(board: _Board, what: str, rows: Sequence[_Row]) -> CulpritSummary | None:
    failed = [row.failures > 0 for row in rows]
    if not any(failed):
        return None
    levels = [row.levels for row in rows]
    # Pairs first; triples only where no pair is left that could be it, since there are so many more of them.
    strength = 2 if surviving_suspects(levels, failed, strength=2) or len(levels[0]) > 24 else 3
    candidates = proposals(
        levels, failed, strength=strength, may_run=board.may_run, rails=board.leaders, nominal=NOMINAL
    )
    report = culprit_report(levels, failed, strength=strength, candidates=candidates or levels)
    likely = _likely_in_turn(rows)
    # Where everything failed nobody can be told from anybody; where one suspect explains all, those that explain a part
    # are not needed.
    leading = [item for item in report.suspects if item.explains_all] or list(report.suspects)
    suspects = [] if all(failed) else leading
    return CulpritSummary(
        what=what,
        corners=len(rows),
        failing_corners=sum(failed),
        words=(*report.words, *_about_trials(rows, likely)),
        suspects=tuple(
            SuspectRow(
                combination=item.combination,
                failing=item.failing,
                failing_total=item.failing_total,
                explains_all=item.explains_all,
            )
            for item in suspects[:_MOST]
        ),
        suspects_total=len(suspects),
        likely=tuple(_likely(item) for cause in likely for item in cause),
        effects=_effects(report),
        next_corner=None if all(failed) else report.next_corner,
        next_why="" if all(failed) else _why(report, leading),
    )


def _likely_in_turn(rows: Sequence[_Row]) -> list[list[LikelySuspect]]:
    """Find causes one after the other: who explains the trials best, then who does where that one was not.

    Whoever shares corners with a cause fails more often too, and is innocent: only what is left over convicts the next.
    Each cause is a list of those that the corners cannot tell apart.
    """
    causes: list[list[LikelySuspect]] = []
    left = list(rows)
    while len(causes) < _CAUSES and any(row.failures for row in left):
        found = likely_suspects(
            [row.levels for row in left],
            [row.failures for row in left],
            [row.trials for row in left],
            strength=2,
            most=10 * _MOST,
        )
        if not found or found[0].p_value > _CONVINCED:
            break
        equal = [item for item in found if item.gain >= found[0].gain - _EQUAL]
        stressed = [item for item in equal if all(level != NOMINAL for _, level in item.combination)]
        causes.append((stressed or equal)[:_MOST])
        best = causes[-1][0].combination
        left = [row for row in left if not all(row.levels.get(name) == level for name, level in best)]
    return causes


def _about_trials(rows: Sequence[_Row], likely: Sequence[Sequence[LikelySuspect]]) -> Iterable[str]:
    """Say what the numbers of trials add: whether a passing corner really clears, and who fails more often."""
    hit = [row for row in rows if row.failures]
    failures, trials = sum(row.failures for row in hit), sum(row.trials for row in hit)
    passing = [row.trials for row in rows if not row.failures]
    if failures < trials and passing:
        # Where the check fails this seldom, how often would the least tried passing corner have hidden it?
        rate = proportion_interval(failures, trials, side="lower").low
        hidden = (1.0 - rate) ** min(passing)
        if hidden > _CONVINCED:
            yield (
                f"Where it fails it does so in {failures} of {trials} trials: a corner that passed {min(passing)} "
                f"could still hide it with probability up to {hidden:.2g}, so passing corners clear nobody for sure."
            )
    for place, cause in enumerate(likely):
        best = cause[0]
        names = "; ".join(_name(item.combination) for item in cause[:3]) + (" and others" if len(cause) > 3 else "")
        rest = "Apart from that: " if place else "By trials: "
        yield (
            f"{rest}{names}: {best.failures_with} of {best.trials_with} failed with it, {best.failures_without} "
            f"of {best.trials_without} without (adjusted p {best.p_value:.2g})."
        )


def _name(combination: Iterable[tuple[str, str]]) -> str:
    return " with ".join(f"{rail} {level}" for rail, level in combination)


def _likely(item: LikelySuspect) -> LikelyCulprit:
    return LikelyCulprit(
        combination=item.combination,
        failures_with=item.failures_with,
        trials_with=item.trials_with,
        failures_without=item.failures_without,
        trials_without=item.trials_without,
        weight=item.weight,
        p_value=item.p_value,
    )


def _effects(report: CulpritReport) -> tuple[RailEffect, ...]:
    return tuple(
        RailEffect(
            rail=item.rail,
            level=item.level,
            failed_with=item.failed_with,
            n_with=item.n_with,
            failed_without=item.failed_without,
            n_without=item.n_without,
            difference=item.difference,
            p_value=item.p_value,
            holm=item.holm,
            benjamini_hochberg=item.benjamini_hochberg,
            tests=len(report.associations),
        )
        for item in report.associations[:_MOST]
    )


def _why(report: CulpritReport, leading: Sequence[Suspect]) -> str:
    if report.next_corner is None:
        return ""
    held = sum(all(report.next_corner.get(r) == level for r, level in item.combination) for item in leading)
    if len(leading) == 1:
        return "it holds the only suspect alone: if it fails, the suspect is confirmed; if it passes, it takes more"
    return f"it holds {held} of the {len(leading)} leading suspects: whatever it shows clears some of them"
