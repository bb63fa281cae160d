"""The screening scheme of a plan: rows of a screening design as levels of rails."""

from collections.abc import Mapping

from cornerrun.corners.factors import Factors
from cornerrun.corners.screening import fold_over, plackett_burman, smallest_fraction
from cornerrun.plan.model import NOMINAL, Screening

__all__ = ["screened"]


def screened(factors: Factors, scheme: Screening) -> tuple[Mapping[str, str], ...]:
    """Tell the corners of a screening design by the rails that lead; none if no rail has its levels.

    A rail that lacks one of the two levels stays at nominal for it, as it does where all rails take that level.
    """
    axes = {
        factor.rail: tuple(level if level in factor.levels else NOMINAL for level in scheme.levels)
        for factor in factors.among(scheme.rails)
    }
    axes = {rail: levels for rail, levels in axes.items() if set(levels) != {NOMINAL}}
    if not axes:
        return ()
    if scheme.resolution is None:
        design = plackett_burman(len(axes))
    else:
        design = smallest_fraction(tuple(axes), scheme.resolution).rows
    rows = fold_over(design) if scheme.fold_over else design
    return tuple({rail: axes[rail][int(sign > 0)] for rail, sign in zip(axes, row, strict=True)} for row in rows)
