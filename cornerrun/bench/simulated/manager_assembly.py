"""Managers of a simulation file turned into devices with pages."""

from collections.abc import Mapping
from functools import partial

from cornerrun.bench.simulated.abilities import Abilities
from cornerrun.bench.simulated.converter import Converter, input_reading
from cornerrun.bench.simulated.draws import uniform
from cornerrun.bench.simulated.fault_log import FaultLog
from cornerrun.bench.simulated.fault_settings import StalePages
from cornerrun.bench.simulated.manager import SimulatedManager
from cornerrun.bench.simulated.model import ManagerSettings, RailSettings, SimulationFile
from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.page_kind import PageKind
from cornerrun.bench.simulated.presets import (
    common_presets,
    format_of,
    page_presets,
    text_presets,
    unused_page,
    unused_rail,
)
from cornerrun.bench.simulated.rail_assembly import BuiltRail
from cornerrun.bench.simulated.registers import BY_NAME, Code
from cornerrun.bench.simulated.stale import StalePage
from cornerrun.bench.simulated.surrounding import Surrounding

__all__ = ["build_manager"]

_RESPONSE_BITS = {"continue": 0b00, "delay": 0b01, "shut_down": 0b10, "while_present": 0b11}
_COMPARED = (
    Code.VOUT_OV_FAULT_LIMIT,
    Code.VOUT_OV_WARN_LIMIT,
    Code.VOUT_UV_WARN_LIMIT,
    Code.VOUT_UV_FAULT_LIMIT,
)


def build_manager(
    model: SimulationFile,
    name: str,
    settings: ManagerSettings,
    *,
    rails: Mapping[str, BuiltRail],
    pages: dict[str, Page],
    around: Surrounding,
) -> SimulatedManager:
    """Build one manager; ``pages`` gets its pages, by rail."""
    own_rails = {rail.power.page: rail for rail in model.rails if rail.power is not None and rail.power.device == name}
    count = settings.pages or max(own_rails, default=0) + 1
    common = common_presets(settings)
    own: list[Page] = []
    for number in range(count):
        rail = own_rails.get(number)
        page = _page(
            model,
            name,
            settings,
            number,
            rail=rail,
            built=None if rail is None else rails[rail.name],
            common=common,
            around=around,
            # The ADC goes through the pages one after another.
            phase_s=around.start_s + number * settings.scan / count,
        )
        own.append(page)
        pages[page.rail.name] = page
    log = None if settings.fault_log is None else FaultLog(settings.fault_log, start_s=around.start_s)
    if log is not None:
        for number, page in enumerate(own):
            page.on_fault.append(partial(log.record, number))
    return SimulatedManager(
        address=settings.address,
        pages=own,
        common=common,
        texts=text_presets(settings),
        live={
            Code.READ_VIN: input_reading(
                around.supply, seed=model.seed, device=name, scan_s=settings.scan, start_s=around.start_s
            )
        },
        timeline=around.timeline,
        store_s=settings.store,
        pec=settings.pec,
        abilities=_abilities(settings),
        fault_log=log,
        stale=next((_stale(model.seed, item) for item in model.faults.stale_pages if item.device == name), None),
    )


def _stale(seed: int, item: StalePages) -> StalePage:
    return StalePage(seed=seed, device=item.device, lasts_s=item.lasts, chance=item.chance)


def _page(
    model: SimulationFile,
    device: str,
    settings: ManagerSettings,
    number: int,
    *,
    rail: RailSettings | None,
    built: BuiltRail | None,
    common: Mapping[int, int],
    around: Surrounding,
    phase_s: float,
) -> Page:
    idle = MovedOutput(0.0)
    stated = rail if rail is not None else unused_rail(f"{device} page {number}")
    output = idle if built is None else built.output
    mode = format_of(settings)
    converter = Converter(
        seed=model.seed,
        rail=stated.name,
        output=output,
        settings=stated.adc,
        mode=mode,
        scan_s=settings.scan,
        phase_s=phase_s,
        current_a=_no_current if built is None else built.load.current_a,
        nominal_v=stated.nominal,
        temperature_degc=around.ambient.voltage_v if built is None else built.warmth.temperature_degc,
    )
    lacks = {name.upper() for name in settings.lacks}
    kind = PageKind(
        mode=mode,
        retry_s=settings.retry,
        has_margins=not lacks & {"VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW"},
        is_control_asserted=settings.control == "asserted",
        responses=frozenset(_RESPONSE_BITS[response] for response in settings.responses),
        retries=frozenset(range(8) if settings.retries == "any" else (0, 7)),
        delay_unit_s=settings.delay_unit,
        warns_by_adc=settings.warnings == "adc",
        comparator_errors=_comparator_errors(model.seed, stated.name, settings.comparator_tolerance),
    )
    return Page(
        rail=stated,
        presets=unused_page(settings) if rail is None else page_presets(settings, stated),
        kind=kind,
        output=output,
        driven=idle if built is None else built.driven,
        converter=converter,
        common=common,
        timeline=around.timeline,
        now_s=around.start_s,
    )


def _no_current(at_s: float) -> float:
    del at_s
    return 0.0


def _comparator_errors(seed: int, rail: str, tolerance: float) -> Mapping[int, float]:
    """Draw how far each comparator is off: evenly within the tolerance, either way (chosen)."""
    if not tolerance:
        return {}
    return {
        code: 1.0 + tolerance * (2.0 * uniform("comparator", seed, rail, number) - 1.0)
        for number, code in enumerate(_COMPARED)
    }


def _abilities(settings: ManagerSettings) -> Abilities:
    return Abilities(
        lacks=frozenset(BY_NAME[name.upper()].code for name in settings.lacks),
        answers_ones=settings.unsupported == "ones",
        has_page_plus=settings.page_plus,
        has_group=settings.group,
        has_alert=settings.alert,
        always_writable=frozenset(BY_NAME[name.upper()].code for name in settings.always_writable),
        direct=format_of(settings).direct,
        fault_log=None if settings.fault_log is None else settings.fault_log.command,
    )
