"""The rules of preflight, one after another over one plan; each is a function of the facts."""

from collections.abc import Callable, Iterator, Mapping

from cornerrun.bench.pmbus.profile import Profile
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan
from cornerrun.preflight.bench_rules import calibration, channels, conditions, devices
from cornerrun.preflight.check_rules import callables, places
from cornerrun.preflight.corner_rules import relations, runnable
from cornerrun.preflight.facts import Facts, gather
from cornerrun.preflight.finding import Finding
from cornerrun.preflight.level_rules import device_limits, hard_limits, quantisation
from cornerrun.preflight.modes import simulated_modes
from cornerrun.preflight.timing_rules import bands, settling
from cornerrun.preflight.trial_rules import good_board, trials

__all__ = ["RULES", "apply_rules", "findings", "stop_on_errors"]

Rule = Callable[[Facts], Iterator[Finding]]

RULES: tuple[Rule, ...] = (
    hard_limits,
    device_limits,
    quantisation,
    runnable,
    relations,
    settling,
    bands,
    trials,
    good_board,
    places,
    callables,
    devices,
    channels,
    conditions,
    calibration,
)
_ORDER = {"error": 0, "warning": 1, "note": 2}


def findings(
    plan: Plan,
    bench_file: BenchFile | None = None,
    profiles: Mapping[str, Profile] | None = None,
    vout_modes: Mapping[str, int] | None = None,
) -> tuple[Finding, ...]:
    """Apply every rule; errors first, in the order of the rules.

    ``profiles`` go by name, those missing are loaded. ``vout_modes`` gives VOUT_MODE bytes by rail, as read from a
    bench; None asks the simulation of a simulated bench, and nothing else.
    """
    if vout_modes is None:
        vout_modes = {} if bench_file is None else simulated_modes(plan, bench_file)
    return apply_rules(gather(plan, bench_file, profiles, vout_modes))


def apply_rules(facts: Facts) -> tuple[Finding, ...]:
    """Apply every rule to facts; errors first, in the order of the rules."""
    return tuple(sorted((found for rule in RULES for found in rule(facts)), key=lambda f: _ORDER[f.severity]))


def stop_on_errors(plan: Plan, bench_file: BenchFile | None = None) -> None:
    """Refuse a plan that preflight finds errors in, before the bench is touched.

    Raises:
        PlanError: every error, one a line.

    """
    errors = [found for found in findings(plan, bench_file) if found.severity == "error"]
    if errors:
        count = "1 error" if len(errors) == 1 else f"{len(errors)} errors"
        raise PlanError("\n".join([f"preflight finds {count}:", *map(str, errors)]))
