"""What the corners say of culprits in plain words, and which corner would tell more."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.stats.culprits import (
    Combination,
    LevelAssociation,
    Suspect,
    checked_corners,
    level_associations,
    surviving_suspects,
)

__all__ = ["CulpritReport", "culprit_report", "telling_corner"]

_CONVINCED = 0.05
_SHOWN = 5


@dataclass(frozen=True, kw_only=True, slots=True)
class CulpritReport:
    """Suspects and associations, what they amount to, and the corner to run next; None if none would tell more."""

    suspects: tuple[Suspect, ...]
    associations: tuple[LevelAssociation, ...]
    words: tuple[str, ...]
    next_corner: Mapping[str, str] | None


def culprit_report(
    levels: Iterable[Mapping[str, str]],
    failed: Iterable[bool],
    *,
    nominal: str = "nominal",
    strength: int = 2,
    candidates: Sequence[Mapping[str, str]] = (),
) -> CulpritReport:
    """Say which rails or pairs can be blamed, which cannot be told apart, and which corner would tell.

    A suspect that holds a rail at ``nominal`` is left out where others remain: nominal is not what was stressed.
    ``candidates`` are corners that could be run; without them, corners with one suspect alone off nominal are proposed.
    """
    corners, outcomes, rails = checked_corners(levels, failed)
    everything = surviving_suspects(corners, outcomes, strength=strength)
    stressed = tuple(s for s in everything if all(level != nominal for _, level in s.combination))
    suspects = stressed or everything
    associations = level_associations(corners, outcomes)
    leading = [s for s in suspects if s.explains_all] or list(suspects)
    options = list(candidates) or [_alone(s.combination, rails, nominal) for s in leading]
    after = telling_corner([s.combination for s in leading], options, tested=corners)
    return CulpritReport(
        suspects=suspects,
        associations=associations,
        words=tuple(_words(corners, outcomes, leading, associations, after, nominal=nominal)),
        next_corner=after,
    )


def _alone(combination: Combination, rails: Sequence[str], nominal: str) -> Mapping[str, str]:
    return dict.fromkeys(rails, nominal) | dict(combination)


def telling_corner(
    suspects: Sequence[Combination],
    candidates: Iterable[Mapping[str, str]],
    *,
    tested: Iterable[Mapping[str, str]] = (),
) -> Mapping[str, str] | None:
    """Choose the untested corner that splits the suspects most evenly; None if none splits them.

    Whatever such a corner shows, fail or pass, it clears about half of them.
    """
    known = [dict(corner) for corner in tested]
    best: Mapping[str, str] | None = None
    best_split = 0
    for candidate in candidates:
        if dict(candidate) in known:
            continue
        holds = sum(all(candidate.get(rail) == level for rail, level in suspect) for suspect in suspects)
        split = min(holds, len(suspects) - holds)
        if split > best_split or (best is None and len(suspects) == 1 and holds == 1):
            best, best_split = candidate, split
    return best


def _words(
    corners: Sequence[Mapping[str, str]],
    outcomes: Sequence[bool],
    leading: Sequence[Suspect],
    associations: Sequence[LevelAssociation],
    after: Mapping[str, str] | None,
    *,
    nominal: str,
) -> Iterable[str]:
    failures = sum(outcomes)
    if not corners:
        yield "No corner was run: nothing can be said."
        return
    if failures == 0:
        yield f"None of {len(corners)} corners failed: there is no culprit to look for."
        return
    if failures == len(corners):
        yield f"All {failures} corners failed: no rail can be told from any other. Look at nominal first."
        return
    if not leading:
        yield (
            "Every combination that was in a failing corner was in a passing one too: the check is noisy, or something "
            "that is no rail made it fail. Repeat failing corner and nominal in turn."
        )
    elif len(leading) == 1 and leading[0].explains_all:
        yield f"{_name(leading[0].combination)} alone explains {_all(failures)} and is in no passing one."
    elif leading[0].explains_all:
        yield (
            f"{len(leading)} suspects explain {_all(failures)} equally well and cannot be told apart: "
            f"{_names(leading)}."
        )
    else:
        yield (
            f"No single suspect explains {_all(failures)}: there is more than one cause, or the check is "
            f"noisy. Leading: {_names(leading)}."
        )
    convicted = [item for item in associations if item.holm <= _CONVINCED]
    if convicted:
        told = ", ".join(f"{item.rail} {item.level} (adjusted p {item.holm:.2g})" for item in convicted[:_SHOWN])
        yield f"Failures go with {told} more often than chance allows."
    else:
        least = f", the least adjusted p is {associations[0].holm:.2g}" if associations else ""
        yield (
            f"Taken one at a time, no rail can be convicted from {failures} failing of {len(corners)} corners{least}."
        )
    if after is not None:
        moved = tuple((rail, level) for rail, level in after.items() if level != nominal)
        rest = f", all others {nominal}" if len(moved) < len(after) else ""
        yield f"The corner that would tell: {_name(moved) or nominal}{rest}."


def _all(failures: int) -> str:
    return "the one failing corner" if failures == 1 else f"all {failures} failing corners"


def _name(combination: Combination) -> str:
    return " with ".join(f"{rail} {level}" for rail, level in combination)


def _names(suspects: Sequence[Suspect]) -> str:
    shown = "; ".join(_name(suspect.combination) for suspect in suspects[:_SHOWN])
    return shown + (f"; and {len(suspects) - _SHOWN} more" if len(suspects) > _SHOWN else "")
