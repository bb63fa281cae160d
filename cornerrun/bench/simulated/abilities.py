"""What a simulated device can do beyond, or short of, a plain one."""

from collections.abc import Mapping
from dataclasses import dataclass

from cornerrun.bench.pmbus.formats import Direct
from cornerrun.bench.simulated.registers import BY_CODE, EXTRA, Code, Register, Shape

__all__ = ["Abilities", "registers_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Abilities:
    """What a device can do.

    ``lacks`` are codes of registers that it does not have; reading one `answers_ones` or is not acknowledged.
    ``direct`` are the coefficients that COEFFICIENTS tells. ``fault_log`` is the command code of its log.
    """

    lacks: frozenset[int] = frozenset()
    answers_ones: bool = False
    has_page_plus: bool = False
    has_group: bool = True
    has_alert: bool = True
    always_writable: frozenset[int] = frozenset()
    direct: Direct | None = None
    fault_log: int | None = None


def registers_of(abilities: Abilities) -> Mapping[int, Register]:
    """Tell the registers that a device has, by command code."""
    registers = dict(BY_CODE)
    if abilities.has_page_plus:
        for code in (Code.PAGE_PLUS_WRITE, Code.PAGE_PLUS_READ):
            registers[code] = EXTRA[code]
    if abilities.direct is not None:
        registers[Code.COEFFICIENTS] = EXTRA[Code.COEFFICIENTS]
    if abilities.fault_log is not None:
        registers[abilities.fault_log] = Register(
            code=abilities.fault_log,
            name="fault log",
            shape=Shape.BLOCK,
            is_paged=False,
            is_writable=False,
            query_format=0b111,
        )
    return {code: register for code, register in registers.items() if code not in abilities.lacks}
