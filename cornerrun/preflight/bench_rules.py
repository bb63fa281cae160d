"""Plan against bench and device profiles: pages, buses, channels, conditions, calibration."""

from collections.abc import Iterator
from datetime import date

from cornerrun.bench.condition_settings import condition_settings
from cornerrun.bench.scpi.dialect import condition_dialect, supply_dialect
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.nearest import suggestion
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Severity, Subject
from cornerrun.units import Kind, show

__all__ = ["calibration", "channels", "conditions", "devices", "supplies"]


def devices(facts: Facts) -> Iterator[Finding]:
    """Whether profiles exist, pages and buses are there, and every device makes a rail."""
    used = {rail.power.device for rail in facts.plan.rails if rail.power is not None}
    for name, why in facts.profile_trouble.items():
        device = next(item.name for item in facts.plan.devices.values() if item.profile == name)
        position = facts.position("devices", device, "profile")
        yield Subject(rule="devices", position=position).error(why.splitlines()[0], "name a profile that is there")
    for device_name, item in facts.plan.devices.items():
        if device_name not in used:
            numbers, position = f"{device_name} makes no rail of the plan", facts.position("devices", device_name)
            yield Subject(rule="devices", position=position).note(numbers, "it is left alone")
        if facts.bench_file is not None and item.bus not in facts.bench_file.buses and device_name in used:
            numbers = f"{device_name} sits on bus {item.bus!r}, which {facts.bench_file.source.path} does not have"
            advice = suggestion(item.bus, facts.bench_file.buses)
            yield Subject(rule="devices", position=facts.position("devices", device_name, "bus")).error(numbers, advice)
    for rail in facts.plan.rails:
        profile = facts.profiles.get(facts.plan.devices[rail.power.device].profile) if rail.power else None
        if rail.power is not None and profile is not None and rail.power.page >= profile.pages:
            numbers = f"page {rail.power.page} of {rail.power.device}, but profile {profile.name!r} has "
            numbers += f"{profile.pages} pages, from 0 to {profile.pages - 1}"
            position = facts.position("rails", rail.name, "power", "page")
            yield Subject(rule="devices", position=position, rail=rail.name).error(
                numbers, "mend the page or the profile"
            )


def supplies(facts: Facts) -> Iterator[Finding]:
    """Whether the bench has the supplies that make rails, and each has the output that the plan names."""
    bench = facts.bench_file
    for rail in facts.plan.rails if bench is not None else ():
        if bench is None or rail.output is None:
            continue
        name = rail.output.supply
        subject = Subject(rule="supplies", position=facts.position("rails", rail.name, "output"), rail=rail.name)
        instrument = bench.instruments.get(name)
        if instrument is None:
            numbers = f"{rail.name} is made by supply {name!r}, which {bench.source.path} does not have"
            yield subject.error(numbers, suggestion(name, bench.instruments))
            continue
        try:
            outputs = supply_dialect(instrument.dialect, bench.directory).outputs
        except PlanError as error:
            yield subject.error(str(error).splitlines()[0], "mend the dialect, or name another one in the bench file")
            continue
        if rail.output.number > outputs:
            numbers = f"output {rail.output.number} of {name}, and its dialect has {outputs}"
            yield subject.error(numbers, "mend the plan, or name another 'dialect' in the bench file")
        if rail.output.over_voltage_v > rail.hard_limits.max_v:
            trips, limit = show(rail.output.over_voltage_v, Kind.VOLTAGE), show(rail.hard_limits.max_v, Kind.VOLTAGE)
            numbers = f"{name} would trip at {trips}, beyond the hard limit of {limit}"
            yield subject.note(numbers, "between the two, software alone stands guard: lower it if the supply allows")


def channels(facts: Facts) -> Iterator[Finding]:
    """Whether each rail is measured, and each channel belongs to a rail of the plan."""
    bench = facts.bench_file
    if bench is None:
        return
    rails = {rail.name: rail for rail in facts.plan.rails}
    for name in bench.channels:
        if name not in rails:
            numbers = f"channel {bench.channels[name]} is for {name!r}, which is no rail of the plan"
            yield Subject(rule="channels", position=_in_bench(bench, "channels")).error(
                numbers, suggestion(name, rails)
            )
    bare = [name for name in rails if name not in bench.channels]
    blind = [name for name in bare if rails[name].maker is None]
    for name in blind:
        numbers = "no channel of the meter and no device or supply measures it"
        advice = "give it a channel in the bench file: what is not measured can not pass"
        yield Subject(rule="channels", position=_in_bench(bench, "channels"), rail=name).warning(numbers, advice)
    if bench.meter is None:
        claim = facts.plan.criteria.trim_claim_ratio is not None
        advice = "the claim of trim accuracy can not be met" if claim else "set-point accuracy will be 'not measured'"
        severity: Severity = "warning" if claim else "note"
        subject = Subject(rule="channels", position=_in_bench(bench, "instruments"))
        yield subject.finding(severity, "the bench has no reference meter", advice)
    elif set(bare) - set(blind):
        names = ", ".join(name for name in bare if name not in blind)
        numbers = f"no channel of the meter is on {names}"
        advice = "their accuracy will be 'not measured'"
        yield Subject(rule="channels", position=_in_bench(bench, "channels")).warning(numbers, advice)


def conditions(facts: Facts) -> Iterator[Finding]:
    """Whether the bench can set what the plan asks for besides rails."""
    bench = facts.bench_file
    if bench is None:
        return
    for condition in facts.plan.conditions:
        if condition.name not in bench.conditions:
            numbers = f"the plan sets {condition.name!r}, and {bench.source.path} has nothing that does"
            advice = suggestion(condition.name, bench.conditions) if bench.conditions else "add it under 'conditions'"
            yield Subject(rule="conditions", position=facts.position("conditions", condition.name)).error(
                numbers, advice
            )
        elif bench.conditions[condition.name].driver == "scpi":
            try:
                _, instrument = condition_settings(bench.conditions[condition.name], facts.plan, bench)
                condition_dialect(instrument.dialect, bench.directory)
            except PlanError as error:
                subject = Subject(rule="conditions", position=_in_bench(bench, f"conditions.{condition.name}"))
                yield subject.error(str(error).splitlines()[0], "mend the bench file, or the dialect")


def calibration(facts: Facts, *, today: date | None = None) -> Iterator[Finding]:
    """Whether the meter is calibrated and states its specification; ``today`` None asks the calendar."""
    bench = facts.bench_file
    if bench is None or bench.meter is None:
        return
    position = _in_bench(bench, "instruments.meter")
    day = today or date.today()  # noqa: DTZ011  # a calibration is due on a day of the bench's own calendar
    if bench.meter.due is None:
        subject = Subject(rule="calibration", position=position)
        yield subject.note("nothing says when the meter's calibration is due", "write 'due' in the bench file")
    elif bench.meter.due < day:
        numbers = f"the meter's calibration was due on {bench.meter.due.isoformat()}"
        subject = Subject(rule="calibration", position=position)
        reasons = [one.because for one in facts.plan.overrides if one.kind == "expired calibration"]
        if reasons:
            yield subject.warning(f"{numbers}; the plan's overrides allow it: {reasons[0]}", "calibrate it soon")
        else:
            advice = "calibrate it, or write 'overrides: {expired_calibration: {because: ...}}' into the plan"
            yield subject.error(numbers, advice)
    if bench.meter.uncertainty is None:
        severity: Severity = "warning" if facts.plan.criteria.trim_claim_ratio is not None else "note"
        advice = "write 'uncertainty': a claim without it stays open"
        yield Subject(rule="calibration", position=position).finding(
            severity, "the meter's specification is not stated", advice
        )


def _in_bench(bench: BenchFile, field: str) -> str:
    return f"{bench.source.path}: {field}"
