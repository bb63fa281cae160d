"""One-way analysis of variance: whether boards (or lots, or stations) differ by more than readings of one do."""

from collections.abc import Iterable
from dataclasses import dataclass

from cornerrun.stats.distributions import f_upper_tail
from cornerrun.stats.interval import finite_array

__all__ = ["OneWay", "one_way"]


@dataclass(frozen=True, kw_only=True, slots=True)
class OneWay:
    """The table of variance of groups of readings.

    ``between_deviation`` is the standard deviation of the groups' true means, 0 where its variance comes out negative.
    ``f`` and ``p_value`` are None where readings of one group agree exactly; ``r_squared`` where all readings do.
    """

    groups: int
    n: int
    ss_between: float
    ss_within: float
    dof_between: int
    dof_within: int
    f: float | None
    p_value: float | None
    r_squared: float | None
    within_deviation: float
    between_deviation: float


def one_way(groups: Iterable[Iterable[float]]) -> OneWay:
    """Split the scatter of readings into that between groups and that within them.

    Raises:
        ValueError: fewer than two groups, an empty one, no group with two readings, or one reading not finite.

    """
    import numpy as np

    rows = [finite_array("a group", group) for group in groups]
    if len(rows) < 2:
        raise ValueError(f"an analysis of variance needs at least two groups, but has {len(rows)}")
    everything = np.concatenate(rows)
    n, within_dof = int(everything.size), int(everything.size) - len(rows)
    if within_dof < 1:
        raise ValueError("at least one group needs two readings: nothing shows the scatter within")
    # Centred twice: a large common part (as in the StRD sets SmLs07 to 09) costs digits even of a mean.
    shift = float(everything.mean())
    rows = [row - shift for row in rows]
    middle = float(np.concatenate(rows).mean())
    means = [float(row.mean()) for row in rows]
    between = sum(row.size * (mean - middle) ** 2 for row, mean in zip(rows, means, strict=True))
    within = sum(float(((row - mean) ** 2).sum()) for row, mean in zip(rows, means, strict=True))
    between_dof = len(rows) - 1
    mean_within = within / within_dof
    f = between / between_dof / mean_within if mean_within > 0 else None
    # The size that groups of unequal size stand for: Searle, Linear Models (1971), 9.9; from memory.
    size = (n - sum(row.size**2 for row in rows) / n) / between_dof
    total = between + within
    return OneWay(
        groups=len(rows),
        n=n,
        ss_between=between,
        ss_within=within,
        dof_between=between_dof,
        dof_within=within_dof,
        f=f,
        p_value=None if f is None else f_upper_tail(f, between_dof, within_dof),
        r_squared=between / total if total > 0 else None,
        within_deviation=mean_within**0.5,
        between_deviation=max(0.0, (between / between_dof - mean_within) / size) ** 0.5,
    )
