"""Rails of a simulation file turned into outputs with their loads and temperatures."""

from collections.abc import Mapping
from dataclasses import dataclass

from cornerrun.bench.simulated.disturbed import DisturbedOutput
from cornerrun.bench.simulated.draws import uniform
from cornerrun.bench.simulated.load_current import LoadCurrent
from cornerrun.bench.simulated.load_steps import plant_load_step
from cornerrun.bench.simulated.model import RailSettings, SimulationFile
from cornerrun.bench.simulated.output import FollowingOutput, MovedOutput, Output
from cornerrun.bench.simulated.parts import Ceiling, Coupling, Drift, LoadDrop, Ripple, Warming
from cornerrun.bench.simulated.physics_settings import INPUT
from cornerrun.bench.simulated.rail import achieved_v
from cornerrun.bench.simulated.surrounding import Surrounding
from cornerrun.bench.simulated.warmth import Warmth
from cornerrun.errors import BenchError

__all__ = ["BuiltRail", "build_rails"]


@dataclass(frozen=True, kw_only=True, slots=True)
class BuiltRail:
    """A rail: what everybody sees of it, what a page can move of it (None if nothing), its load, its temperature."""

    settings: RailSettings
    output: Output
    driven: MovedOutput | None
    load: LoadCurrent
    warmth: Warmth


def build_rails(model: SimulationFile, around: Surrounding) -> dict[str, BuiltRail]:
    """Build all rails; one that follows or is fed by another is built after that one, whatever the file's order.

    Raises:
        BenchError: rails follow or feed each other in a ring, or name a rail that is not there.

    """
    shorted = {short.rail for short in model.faults.shorts}
    built: dict[str, BuiltRail] = {}
    bare: dict[str, Output] = {}
    left = list(model.rails)
    while left:
        ready = [rail for rail in left if _needs(rail) <= built.keys()]
        if not ready:
            raise BenchError(
                "rails of the simulation follow or feed each other in a ring, or name one that is not there"
            )
        for rail in ready:
            built[rail.name] = _rail(rail, built, bare, around, seed=model.seed, is_shorted=rail.name in shorted)
        left = [rail for rail in left if rail.name not in built]
    nominals = {rail.name: rail.nominal for rail in model.rails}
    for rail in model.rails:
        output = built[rail.name].output
        for other, share in rail.coupling.items():
            assert isinstance(output, DisturbedOutput)  # that is what a coupling makes it
            output.add(Coupling(bare[other], share=share, nominal_v=nominals[other]))
    return {rail.name: built[rail.name] for rail in model.rails}


def _needs(rail: RailSettings) -> set[str]:
    leader = {rail.tracks.rail} if rail.tracks is not None else set()
    feeder = {rail.upstream.rail} if rail.upstream is not None and rail.upstream.rail != INPUT else set()
    return leader | feeder


def _rail(
    rail: RailSettings,
    built: Mapping[str, BuiltRail],
    bare: dict[str, Output],
    around: Surrounding,
    *,
    seed: int,
    is_shorted: bool,
) -> BuiltRail:
    trim, driven = rail.trim, None
    errors = {"gain_error_ratio": trim.gain_error, "offset_error_v": trim.offset_error}
    base: Output
    if rail.tracks is not None:
        leader, ratio = rail.tracks.rail, rail.tracks.ratio
        base = FollowingOutput(built[leader].output, ratio=ratio, **errors)
        # What couples into others leaves out what couples into this one: else two rails could feed each other.
        bare[rail.name] = FollowingOutput(bare[leader], ratio=ratio, **errors)
    else:
        base = driven = MovedOutput(achieved_v(rail.nominal, **errors))
        bare[rail.name] = driven
    load = LoadCurrent(base, nominal_a=rail.load, nominal_v=rail.nominal, kind=rail.load_kind)
    for number, step in enumerate(rail.load_steps):
        plant_load_step(
            step, f"step {number}", load, timeline=around.timeline, start_s=around.start_s, stage=around.stage
        )
    warmth = Warmth(
        ambient_degc=around.ambient.voltage_v,
        rise_k=rail.self_heating,
        time_constant_s=rail.thermal_time_constant,
        output=base,
        load=load,
        nominal_v=rail.nominal,
    )
    output: Output = base
    if is_shorted or _is_disturbed(rail):
        output = _disturbed(rail, base, load, warmth, built=built, seed=seed, around=around)
    return BuiltRail(settings=rail, output=output, driven=driven, load=load, warmth=warmth)


def _is_disturbed(rail: RailSettings) -> bool:
    return bool(
        rail.coupling
        or rail.upstream
        or rail.drift
        or rail.ripple
        or rail.output_resistance
        or rail.droop
        or rail.temperature_coefficient
    )


def _disturbed(
    rail: RailSettings,
    base: Output,
    load: LoadCurrent,
    warmth: Warmth,
    *,
    built: Mapping[str, BuiltRail],
    seed: int,
    around: Surrounding,
) -> DisturbedOutput:
    ripple = None
    if rail.ripple is not None:
        phase = 6.283185307179586 * uniform("ripple", seed, rail.name)
        ripple = Ripple(rail.ripple.amplitude, rail.ripple.frequency, phase=phase)
    output = DisturbedOutput(base, nominal_v=rail.nominal, timeline=around.timeline, ripple=ripple)
    if rail.output_resistance or rail.droop:
        output.add(LoadDrop(load, regulation_ohm=rail.output_resistance, droop_ohm=rail.droop))
    if rail.temperature_coefficient:
        output.add(
            Warming(rail.temperature_coefficient, nominal_v=rail.nominal, temperature_degc=warmth.temperature_degc)
        )
        output.look_again(around.start_s)
    if rail.drift is not None:
        output.add(Drift(rail.drift, start_s=around.start_s, seed=seed, rail=rail.name))
        output.look_again(around.start_s)
    if rail.upstream is not None:
        feeder = around.supply if rail.upstream.rail == INPUT else built[rail.upstream.rail].output
        output.hold_below(
            Ceiling(
                feeder,
                duty=rail.upstream.duty,
                dropout_v=rail.upstream.dropout,
                lockout_v=rail.upstream.lockout,
            )
        )
    return output
