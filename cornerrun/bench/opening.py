"""The built-in drivers' constructors, as the registry wants them."""

from cornerrun.bench.guard import Guard
from cornerrun.bench.patience import lease_of, patient
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.ports import Condition, Voltmeter
from cornerrun.bench.registry import ClosingPower, Surroundings
from cornerrun.bench.scpi.session import TextLink
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import Bus, ConditionDriver, Instrument

__all__ = [
    "open_i2c_link",
    "open_scpi_condition",
    "open_scpi_meter",
    "open_scpi_supply",
    "open_simulated_condition",
    "open_simulated_link",
    "open_tcp_link",
    "open_text_link",
]

_CONDITION_TIMEOUT_S = 3.0  # chosen: controllers of chambers take their time
_SUPPLY_TIMEOUT_S = 2.0  # chosen: a supply answers within tens of milliseconds

_LONGEST_VISA_S = 5.0  # chosen: what a write or a device clear may take; a read says itself how long it waits


def open_simulated_link(bus: Bus, target: str, surroundings: Surroundings, /) -> Link:
    """Open a bus of the bench simulated in this process."""
    del target
    link: Link = surroundings.simulation.link(bus.name, clock_hz=bus.clock_hz)
    link.pec = int(bus.pec)
    return link


def open_tcp_link(bus: Bus, target: str, surroundings: Surroundings, /) -> Link:
    """Open a bus behind TCP; ``target`` is HOST:PORT."""
    from cornerrun.bench.pmbus.tcp import TcpLink

    host, _, port = target.rpartition(":")
    if not host or not port.isdigit():
        raise PlanError(
            f"{surroundings.bench_file.source.path}: buses.{bus.name}.link: {bus.link!r} names no host and port; "
            "write it like 'tcp:127.0.0.1:5030'"
        )
    link = TcpLink(host, int(port), lease=lease_of(surroundings.clock))
    link.pec = int(bus.pec)
    return link


def open_i2c_link(bus: Bus, target: str, surroundings: Surroundings, /) -> Link:
    """Open a Linux I2C adapter; ``target`` is its name in sysfs, or a path there (`adapters.open_adapter`)."""
    from cornerrun.bench.pmbus.adapters import open_adapter

    del surroundings
    return open_adapter(target, pec=bus.pec)


def open_scpi_meter(instrument: Instrument, surroundings: Surroundings, /) -> Voltmeter:
    """Open a SCPI meter, through VISA or in this process."""
    from cornerrun.bench.scpi.dialect import meter_dialect
    from cornerrun.bench.scpi.meter import ScpiMeter

    dialect = meter_dialect(instrument.dialect, surroundings.bench_file.directory)
    link = open_text_link(instrument, surroundings)
    try:
        return ScpiMeter(
            link=link,
            instrument=instrument,
            channels=surroundings.bench_file.channels,
            rails=surroundings.plan.rails,
            clock=surroundings.clock,
            dialect=dialect,
        )
    except PlanError:
        link.close()
        raise


def open_scpi_supply(instrument: Instrument, guard: Guard, surroundings: Surroundings, /) -> ClosingPower:
    """Open a supply that makes rails, through VISA or in this process."""
    from cornerrun.bench.scpi.conversation import Conversation
    from cornerrun.bench.scpi.dialect import supply_dialect
    from cornerrun.bench.scpi.supply import ScpiSupply
    from cornerrun.bench.scpi.supply_power import SupplyPower

    dialect = supply_dialect(instrument.dialect, surroundings.bench_file.directory)
    talk = Conversation(
        link=open_text_link(instrument, surroundings),
        name=f"supply {instrument.name!r} at {instrument.resource}",
        timeout_s=instrument.timeout_s or _SUPPLY_TIMEOUT_S,
        error_query=dialect.error,
    )
    return SupplyPower(
        plan=surroundings.plan,
        name=instrument.name,
        supply=ScpiSupply(talk=talk, dialect=dialect, expected=instrument.identity),
        guard=guard,
        clock=surroundings.clock,
    )


def open_scpi_condition(driver: ConditionDriver, surroundings: Surroundings, /) -> Condition:
    """Open what sets a condition over SCPI, through VISA or in this process."""
    from cornerrun.bench.condition_settings import condition_settings
    from cornerrun.bench.scpi.condition import ScpiCondition
    from cornerrun.bench.scpi.conversation import Conversation
    from cornerrun.bench.scpi.dialect import condition_dialect

    settings, instrument = condition_settings(driver, surroundings.plan, surroundings.bench_file)
    dialect = condition_dialect(instrument.dialect, surroundings.bench_file.directory)
    link = open_text_link(instrument, surroundings)
    talk = Conversation(
        link=link,
        name=f"{driver.name}: {instrument.name!r} at {instrument.resource}",
        timeout_s=instrument.timeout_s or _CONDITION_TIMEOUT_S,
        error_query=dialect.error,
    )
    try:
        return ScpiCondition(
            talk=talk,
            dialect=dialect,
            settings=settings,
            clock=surroundings.clock,
            sense=surroundings.sense,
            expected=instrument.identity,
        )
    except PlanError:
        link.close()
        raise


def open_text_link(instrument: Instrument, surroundings: Surroundings) -> TextLink:
    """Open the text link of an instrument, whoever made its driver: a VISA resource, or the simulated one.

    Raises:
        InstrumentError: it cannot be reached.
        PlanError: the bench simulates no such instrument.

    """
    section = instrument.simulated_as
    if section is not None:
        simulation = surroundings.simulation
        if section not in simulation.instruments:
            known = ", ".join(simulation.instruments) or "no instrument"
            raise PlanError(
                f"{surroundings.bench_file.source.path}: instruments.{instrument.name}: the simulation file has no "
                f"{section}; add a `{section}` section to it, or name one that is there with `resource: "
                f"'simulated:NAME'`: {known}"
            )
        link: TextLink = simulation.instrument(section)
        return link
    from cornerrun.bench.scpi.visa import PyvisaLink

    link = PyvisaLink(instrument.resource, settings=instrument.settings)
    return patient(link, surroundings.clock, longest_s=_LONGEST_VISA_S)


def open_simulated_condition(driver: ConditionDriver, surroundings: Surroundings, /) -> Condition:
    """Open a condition of the bench simulated in this process."""
    condition: Condition = surroundings.simulation.condition(driver.name)
    return condition
