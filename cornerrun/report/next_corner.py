"""Corners that nobody has run yet and that could tell suspects apart."""

from collections.abc import Callable, Collection, Mapping, Sequence

from cornerrun.stats.culprits import Combination, surviving_suspects

__all__ = ["proposals"]

_SUSPECTS = 64  # chosen: more cannot be told apart by one corner worth proposing

Levels = Mapping[str, str]


def proposals(
    corners: Sequence[Levels],
    failed: Sequence[bool],
    *,
    strength: int,
    may_run: Callable[[Levels], bool],
    rails: Collection[str],
    nominal: str,
) -> tuple[Levels, ...]:
    """Propose corners, all of which may be run: parts of a failing corner with everything else at nominal.

    Halves of the leading suspects together, each suspect alone, and each failing corner with half of its rails brought
    back: the steps of a search that needs no more runs than the logarithm of the number of suspects. ``rails`` are what
    can be at nominal; everything else (conditions) stays where it was.
    """
    everything = surviving_suspects(corners, failed, strength=strength)
    suspects = [s for s in everything if all(level != nominal for _, level in s.combination)] or list(everything)
    leading = [s.combination for s in suspects if s.explains_all] or [s.combination for s in suspects]
    failing = [corner for corner, has_failed in zip(corners, failed, strict=True) if has_failed]
    found: list[Levels] = []
    for corner in failing[:4]:
        held = [s for s in leading[:_SUSPECTS] if all(corner.get(rail) == level for rail, level in s)]
        base = _at_rest(corner, rails, nominal)
        found += [base | _union(half) for half in _halves(held)]
        off = [rail for rail, level in corner.items() if level != base[rail]]
        found += [base | {rail: corner[rail] for rail in part} for part in _parts(off)]
    base = _at_rest(failing[0], rails, nominal) if failing else {}
    found += [base | dict(suspect) for suspect in leading[:_SUSPECTS]]
    unique = {tuple(sorted(corner.items())): corner for corner in found}
    return tuple(corner for corner in unique.values() if may_run(corner))


def _at_rest(corner: Levels, rails: Collection[str], nominal: str) -> dict[str, str]:
    return {name: nominal if name in rails else level for name, level in corner.items()}


def _union(suspects: Sequence[Combination]) -> dict[str, str]:
    return {rail: level for suspect in suspects for rail, level in suspect}


def _halves(suspects: Sequence[Combination]) -> list[Sequence[Combination]]:
    middle = len(suspects) // 2
    return [suspects[:middle], suspects[middle:], suspects[::2], suspects[1::2]] if middle else []


def _parts(rails: Sequence[str]) -> list[Sequence[str]]:
    """Halve again and again."""
    if len(rails) < 2:
        return []
    one, other = rails[: len(rails) // 2], rails[len(rails) // 2 :]
    return [one, other, *_parts(one), *_parts(other)]
