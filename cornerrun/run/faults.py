"""Tell from captured status registers which rail a fault began on, or that nobody can tell."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from cornerrun.bench.ports import StatusCapture

__all__ = ["STATUS_WORD_OFF", "UNDETERMINED", "Classification", "classify", "is_off", "own_faults"]

UNDETERMINED = "undetermined"

STATUS_WORD_OFF = 1 << 6
"""STATUS_WORD bit 6: the rail does not deliver power, for whatever reason."""

# Fault bits of a rail's own limits: PMBus 1.2 Part II section 17 (bits as in Linux drivers/hwmon/pmbus/pmbus.h).
# Warnings, power-good and OFF are left out: a rail that another took down shows those as well.
_OWN_BITS = (
    ("STATUS_VOUT", 1 << 7, "OV"),
    ("STATUS_IOUT", 1 << 7, "OC"),
    ("STATUS_IOUT", 1 << 6, "OC"),
    ("STATUS_TEMPERATURE", 1 << 7, "OT"),
    ("STATUS_VOUT", 1 << 4, "UV"),
    ("STATUS_VOUT", 1 << 2, "TON_MAX"),
    ("STATUS_IOUT", 1 << 4, "UC"),
    ("STATUS_TEMPERATURE", 1 << 4, "UT"),
)
_INPUT_BITS = (1 << 7, 1 << 4, 1 << 2)
_SEVERE = frozenset({"OV", "OC", "OT"})
_STATUS_VOUT_OF_WORD = (1 << 5, "OV")
_STATUS_IOUT_OF_WORD = (1 << 4, "OC")


@dataclass(frozen=True, kw_only=True, slots=True)
class Classification:
    """Where a fault began. ``originator`` is a rail or "undetermined"; never a guess.

    ``kind`` is "OV", "OC", "OT", "UV", "TON_MAX", "UC", "UT", "input" or "off", several joined by "+". ``is_severe``
    tells that the board must end off. ``followers`` are the other rails that are off or show a fault.
    """

    originator: str
    kind: str
    followers: tuple[str, ...]
    is_severe: bool
    why: str


def own_faults(capture: StatusCapture) -> tuple[str, ...]:
    """Name the faults that a rail's own limits report, worst first."""
    names = [kind for register, bit, kind in _OWN_BITS if capture.registers.get(register, 0) & bit]
    word = capture.registers.get("STATUS_WORD", 0)
    # Devices without the detailed register still flag these two in the word itself.
    names += [kind for bit, kind in (_STATUS_VOUT_OF_WORD, _STATUS_IOUT_OF_WORD) if word & bit]
    return tuple(dict.fromkeys(names))


def is_off(capture: StatusCapture) -> bool:
    """Whether a rail does not deliver power (STATUS_WORD bit 6)."""
    return bool(capture.registers.get("STATUS_WORD", 0) & STATUS_WORD_OFF)


def classify(captures: Sequence[StatusCapture], moving: Collection[str]) -> Classification:
    """Find the rail that a fault began on.

    The only rail with a fault bit of its own limits, else the only moving rail if it is down too, else undetermined:
    two rails with bits of their own may be cause and consequence, and nothing here tells which. ``moving`` are the
    rails commanded last and not yet settled.
    """
    faults = {capture.rail: own for capture in captures if (own := own_faults(capture))}
    down = [capture.rail for capture in captures if is_off(capture)]
    affected = list(dict.fromkeys([*faults, *down]))
    is_severe = any(_SEVERE.intersection(own) for own in faults.values())
    moved = [rail for rail in down if rail in moving]
    if len(faults) == 1:
        (originator,) = faults
        why = "the only rail whose own limits report a fault"
    elif not faults and len(moved) == 1:
        originator = moved[0]
        why = "no rail reports a fault of its own; this one was being moved and is off"
    else:
        originator = UNDETERMINED
        why = (
            f"faults of their own: {', '.join(faults)}; nothing tells which came first"
            if faults
            else "no rail reports a fault of its own, and none that is off was moving alone"
        )
    return Classification(
        originator=originator,
        kind=_kind(faults.get(originator) or tuple(dict.fromkeys(k for own in faults.values() for k in own)), captures),
        followers=tuple(rail for rail in affected if rail != originator),
        is_severe=is_severe,
        why=why,
    )


def _kind(own: tuple[str, ...], captures: Sequence[StatusCapture]) -> str:
    if own:
        return "+".join(own)
    has_input = any(capture.registers.get("STATUS_INPUT", 0) & bit for capture in captures for bit in _INPUT_BITS)
    return "input" if has_input else "off"
