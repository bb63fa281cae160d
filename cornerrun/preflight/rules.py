"""The rules of preflight, one after another over one plan; each is a function of the facts."""

from collections.abc import Callable, Iterator, Mapping

from cornerrun.bench.pmbus.profile import Profile
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.preflight.bench_rules import calibration, channels, conditions, devices, supplies
from cornerrun.preflight.budget import above_nominal
from cornerrun.preflight.check_rules import callables, places
from cornerrun.preflight.collision_rules import clamps, faults, power_good, warnings
from cornerrun.preflight.condition_rules import changes
from cornerrun.preflight.corner_rules import runnable
from cornerrun.preflight.counting_rules import error_ratios
from cornerrun.preflight.device_rules import contradictions, unchecked, unread
from cornerrun.preflight.device_values import BenchValues
from cornerrun.preflight.facts import Facts, gather
from cornerrun.preflight.fault_response_rules import fault_responses
from cornerrun.preflight.finding import Finding
from cornerrun.preflight.level_rules import hard_limits, quantisation
from cornerrun.preflight.load_rules import currents, pins, power
from cornerrun.preflight.meter_rules import uncertainty_ratio
from cornerrun.preflight.power_up_rules import power_up
from cornerrun.preflight.relation_rules import relations
from cornerrun.preflight.tightening_rules import tightening
from cornerrun.preflight.timing_rules import bands, settling
from cornerrun.preflight.trial_rules import good_board, intermittents, trials
from cornerrun.preflight.trim_rules import authority
from cornerrun.preflight.upstream_rules import headroom
from cornerrun.preflight.watch_rules import watch

__all__ = ["RULES", "apply_rules", "findings", "stop_on_errors"]

Rule = Callable[[Facts], Iterator[Finding]]

RULES: tuple[Rule, ...] = (
    hard_limits,
    clamps,
    faults,
    tightening,
    power_up,
    fault_responses,
    warnings,
    power_good,
    contradictions,
    quantisation,
    authority,
    headroom,
    pins,
    currents,
    power,
    above_nominal,
    runnable,
    relations,
    settling,
    bands,
    watch,
    trials,
    intermittents,
    good_board,
    error_ratios,
    uncertainty_ratio,
    places,
    callables,
    devices,
    supplies,
    channels,
    conditions,
    changes,
    calibration,
    unread,
    unchecked,
)
_ORDER = {"error": 0, "warning": 1, "note": 2}


def findings(
    plan: Plan,
    bench_file: BenchFile | None = None,
    profiles: Mapping[str, Profile] | None = None,
    vout_modes: Mapping[str, int] | None = None,
    *,
    values: BenchValues | None = None,
) -> tuple[Finding, ...]:
    """Apply every rule; errors first, in the order of the rules.

    ``profiles`` go by name, those missing are loaded. ``values`` is what devices hold; without it the devices of a
    simulated bench are asked, and nobody else. ``vout_modes`` (VOUT_MODE bytes by rail) given instead asks nobody.
    """
    return apply_rules(gather(plan, bench_file, profiles, vout_modes, values=values))


def apply_rules(facts: Facts) -> tuple[Finding, ...]:
    """Apply every rule to facts; errors first, in the order of the rules."""
    return tuple(sorted((found for rule in RULES for found in rule(facts)), key=lambda f: _ORDER[f.severity]))


def stop_on_errors(plan: Plan, bench_file: BenchFile | None = None, *, may_open: bool = False) -> None:
    """Refuse a plan that preflight finds errors in, before anything is written to the bench.

    With ``may_open`` the devices of a real bench are read first, so that what they hold is reckoned with. How they
    stand against the plan ("device values") is left to the run: it finds the same when it connects, and says what to
    do.

    Raises:
        PlanError: every error, one a line.

    """
    found = apply_rules(gather(plan, bench_file, None, may_open=may_open))
    errors = [item for item in found if item.severity == "error" and item.rule != "device values"]
    if errors:
        count = "1 error" if len(errors) == 1 else f"{len(errors)} errors"
        raise PlanError("\n".join([f"preflight finds {count}:", *map(str, errors)]))
