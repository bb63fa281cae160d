"""The reference meter against the claim that it shall prove."""

import math
from collections.abc import Iterator, Mapping

from cornerrun.bench.scpi.options import meter_options, ranges_of
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import Instrument, MeterUncertainty
from cornerrun.plan.model import Rail
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.preflight.places import rail_subject
from cornerrun.stats.conformity import global_risk
from cornerrun.stats.meter import MeterSpecification
from cornerrun.units import Kind, show

__all__ = ["claim_over_uncertainty", "uncertainty_ratio"]

_LEAST = 4.0  # common practice, no source; ANSI/NCSL Z540.3 names 4 to 1 (from memory)
_KEEPING = 0.95  # chosen: the share of set-points that keep the claim, where nobody knows the process


def claim_over_uncertainty(claim_v: float, uncertainty: MeterUncertainty, reading_v: float, range_v: float) -> float:
    """Tell the claim over the meter's expanded uncertainty (k = 2) for one reading; infinite for a perfect meter."""
    expanded_v = 2.0 * _standard_v(uncertainty, reading_v, range_v)
    return claim_v / expanded_v if expanded_v > 0 else math.inf


def uncertainty_ratio(facts: Facts) -> Iterator[Finding]:
    """Whether the meter is four times as good as the claim; else what wrong decisions that costs.

    The set-points are taken as normal, centred, 95 % of them keeping the claim; the risks are those of accepting
    whatever reads within the claim (JCGM 106:2012, 9.5).
    """
    claim, bench = facts.plan.criteria.trim_claim_ratio, facts.bench_file
    if claim is None or bench is None or bench.meter is None or bench.meter.uncertainty is None:
        return
    position = f"{bench.source.path}: instruments.meter"
    reached = [found for found in facts.levels if found.rail.name in bench.channels and found.rail.is_commanded]
    try:
        ranges = _ranges(bench.meter, [found.rail for found in reached])
    except PlanError as error:
        yield Subject(rule="meter", position=position).error(str(error), "mend the meter's settings")
        return
    for found in reached:
        rail = found.rail
        ratios = {
            row.setpoint_v: claim_over_uncertainty(
                claim * row.setpoint_v, bench.meter.uncertainty, row.setpoint_v, ranges[rail.name]
            )
            for row in found.rows
        }
        setpoint_v, ratio = min(ratios.items(), key=lambda item: item[1])
        if ratio >= _LEAST:
            continue
        claim_v = claim * setpoint_v
        risk = global_risk(
            claim_v / _two_sided(_KEEPING),
            _standard_v(bench.meter.uncertainty, setpoint_v, ranges[rail.name]),
            lower=-claim_v,
            upper=claim_v,
        )
        numbers = f"the claim of {show(claim, Kind.RATIO)} is {show(claim_v, Kind.VOLTAGE)} at "
        numbers += f"{show(setpoint_v, Kind.VOLTAGE)}, and the meter's expanded uncertainty (k = 2) on its range of "
        numbers += (
            f"{show(ranges[rail.name], Kind.VOLTAGE)} is {show(claim_v / ratio, Kind.VOLTAGE)}: {ratio:.2g} to 1. "
        )
        numbers += f"If {show(_KEEPING, Kind.RATIO)} of set-points keep the claim, {_share(risk.false_accept)} of all "
        numbers += f"are accepted wrongly and {_share(risk.false_reject)} rejected wrongly"
        advice = "use a better meter or range, claim less, or accept only what lies a guard band inside the claim"
        yield rail_subject(facts, "meter", rail).warning(numbers, advice)


def _standard_v(uncertainty: MeterUncertainty, reading_v: float, range_v: float) -> float:
    specification = MeterSpecification(
        reading_ratio=uncertainty.reading_ratio,
        range_ratio=uncertainty.range_ratio,
        coverage=uncertainty.coverage,
    )
    return specification.component(reading_v, range_v).standard_uncertainty


def _two_sided(share: float) -> float:
    from cornerrun.stats.distributions import normal_quantile

    return normal_quantile(0.5 + share / 2)


def _ranges(meter: Instrument, rails: list[Rail]) -> Mapping[str, float]:
    if meter.driver != "scpi-meter":
        # Another driver chooses its ranges itself; the rail's own hard limit is the least that it must hold.
        return {rail.name: meter.range_v or rail.hard_limits.max_v for rail in rails}
    return ranges_of(meter, meter_options(meter).ranges_v, rails)


def _share(ratio: float) -> str:
    return show(ratio, Kind.RATIO, digits=3)
