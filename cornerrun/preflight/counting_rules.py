"""Numbers that a check counts: what an error ratio means without the bits that were counted, and what bits can show."""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from cornerrun.plan.model import Check
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.stats.proportions import proportion_interval
from cornerrun.units import Kind, show

__all__ = ["error_ratios"]

_CONFIDENCE = 0.95  # chosen: as for trials
# Names by which people call a share of errors, a count of errors, and a count of what was sent (common practice, no
# source).
_RATIO = re.compile(r"(?:^|_)(?:ber|fer)(?:$|_)|(?:error|loss|fail(?:ure)?)s?_?(?:ratio|rate|share|prob)")
_ERRORS = re.compile(r"(?:^|_)(?:errors?|failures?|fails?|lost|bad|wrong)(?:$|_)")
_SENT = re.compile(
    r"(?:^|_)(?:bits?|frames?|packets?|symbols?|words?|bytes?|blocks?|transfers?|count|sent|total)(?:$|_)"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Counted:
    """The largest count that a check must reach, by its name."""

    name: str
    least: int


def error_ratios(facts: Facts) -> Iterator[Finding]:
    """Whether a check that judges an error ratio also asks for enough counted bits, frames or the like.

    The bound of the ratio is the exact one-sided one of Clopper and Pearson; without an error it is -ln(1 - C) / n.
    """
    for check in facts.plan.checks:
        subject = Subject(rule="error ratio", position=facts.position("checks", check.name, "accept"))
        found = list(_ratios(check, subject))
        yield from found
        for one in check.accept_at:
            here = replace(check, accept={**check.accept, **one.accept})
            for item in _ratios(here, replace(subject, position=facts.position("checks", check.name, "accept_at"))):
                if item.numbers not in {known.numbers for known in found}:
                    yield replace(item, numbers=f"{item.numbers} (at {one.condition} {one.level})")


def _ratios(check: Check, subject: Subject) -> Iterator[Finding]:
    counted = _counted(check)
    ratios = {name: limit.max for name, limit in check.accept.items() if _RATIO.search(_plain(name))}
    if not ratios and counted is not None:
        yield from _shown(check, counted, subject)
    for name, most in ratios.items():
        if most is not None:
            yield _judged(check, name, most, counted, subject)


def _judged(check: Check, name: str, most: float, counted: _Counted | None, subject: Subject) -> Finding:
    if counted is None:
        numbers = f"{check.name!r} judges {name!r}, a ratio of errors, and asks for no count of what was sent: none in "
        numbers += "a thousand bits would pass like none in a million million"
        least = f"{_needed(most):.2g}" if 0 < most < 1 else "3e12"
        return subject.error(numbers, f"let the check count, and accept it too: bits: {{min: {least}}}")
    bound = _bound(0, counted.least)
    said = f"{check.name!r}: {counted.least:.3g} {counted.name} without an error show a ratio below {bound:.2g} at "
    said += f"{show(_CONFIDENCE, Kind.RATIO)} confidence"
    if 0 < most < bound * (1 - 1e-9):
        numbers = f"{said}, and can never show the {most:g} that is asked"
        return subject.error(numbers, f"count {_needed(most):.3g} {counted.name} at least, or ask for less")
    return subject.note(said, "each error that is counted raises that bound")


def _shown(check: Check, counted: _Counted, subject: Subject) -> Iterator[Finding]:
    errors = {name: limit.max for name, limit in check.accept.items() if _ERRORS.search(_plain(name))}
    for name, most in errors.items():
        if most is None or not 0 <= most < counted.least:
            continue
        bound = _bound(int(most), counted.least)
        allowed = "no" if int(most) == 0 else f"{int(most)}"
        numbers = f"{check.name!r}: {allowed} {name} in {counted.least:.3g} {counted.name} show a ratio below "
        numbers += f"{bound:.2g} at {show(_CONFIDENCE, Kind.RATIO)} confidence, a trial"
        yield subject.note(numbers, "count more if less is claimed")


def _counted(check: Check) -> _Counted | None:
    counts: Mapping[str, float] = {
        name: limit.min
        for name, limit in check.accept.items()
        if limit.min is not None and limit.min >= 1 and _SENT.search(_plain(name)) and not _RATIO.search(_plain(name))
    }
    if not counts:
        return None
    name = max(counts, key=lambda key: counts[key])
    return _Counted(name=name, least=int(counts[name]))


def _bound(errors: int, sent: int) -> float:
    return proportion_interval(errors, sent, confidence=_CONFIDENCE, side="upper").high


def _needed(most: float) -> float:
    return -math.log(1.0 - _CONFIDENCE) / most


def _plain(name: str) -> str:
    return re.sub(r"[\s./-]+", "_", name.strip().casefold())
