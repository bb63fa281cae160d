"""Whether the bus can carry what watching the rails asks of it."""

from collections.abc import Iterator

from cornerrun.clock import ManualClock
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Severity, Subject
from cornerrun.preflight.paper.device import PaperDevice
from cornerrun.preflight.paper.wire import Wire
from cornerrun.units import Kind, show

__all__ = ["sweep_s", "watch"]

_CROWDED = 0.5  # chosen: half of the time for the watch leaves settling and moves the other half


def watch(facts: Facts) -> Iterator[Finding]:
    """Whether one reading of every rail fits the watch period: else a fault is seen late, and the run is slow."""
    bench = facts.bench_file
    if bench is None:
        return
    time_s = sweep_s(facts)
    share = time_s / bench.watch.period_s
    if share <= _CROWDED:
        return
    severity: Severity = "error" if share >= 1.0 else "warning"
    numbers = (
        f"reading every rail once takes {show(time_s, Kind.TIME, digits=3)} of bus time, and the watch asks for it "
    )
    numbers += f"every {show(bench.watch.period_s, Kind.TIME)}"
    numbers += ": it can never keep up" if share >= 1.0 else f": {share * 100:.0f} % of the time go into it"
    subject = Subject(rule="watch", position=f"{bench.source.path}: watch.period")
    yield subject.finding(severity, numbers, "lengthen the period, or speed up the bus")


def sweep_s(facts: Facts) -> float:
    """Tell the bus time of one reading of every rail: PAGE written and verified, STATUS_WORD and READ_VOUT."""
    if facts.bench_file is None:
        return 0.0
    clock = ManualClock()
    wires = {name: Wire(bus, clock) for name, bus in facts.bench_file.buses.items()}
    devices: dict[str, PaperDevice] = {}
    pages: dict[str, list[int]] = {}
    for rail in facts.plan.rails:
        device = facts.plan.devices[rail.power.device] if rail.power is not None else None
        if rail.power is None or device is None or device.bus not in wires or device.profile not in facts.profiles:
            continue
        devices.setdefault(device.name, PaperDevice(facts.profiles[device.profile], wires[device.bus]))
        pages.setdefault(device.name, []).append(rail.power.page)
    started_s = 0.0
    for _ in range(2):  # the second sweep starts from the page that the first one ended at
        started_s = clock.now_s()
        for name, on_paper in devices.items():
            for page in sorted(pages[name]):
                on_paper.read(page, "STATUS_WORD", "READ_VOUT")
    return clock.now_s() - started_s
