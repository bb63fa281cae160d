"""Tell from captured status registers which rail a fault began on, or that nobody can tell."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.bench.ports import FaultStamp, StatusCapture
from cornerrun.run.originator import earliest, not_explained

__all__ = [
    "STATUS_WORD_OFF",
    "UNDETERMINED",
    "Classification",
    "classify",
    "goes_on",
    "is_latched",
    "is_off",
    "own_faults",
]

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
_RESPONSES = {
    "OV": "VOUT_OV_FAULT_RESPONSE",
    "UV": "VOUT_UV_FAULT_RESPONSE",
    "OC": "IOUT_OC_FAULT_RESPONSE",
    "OT": "OT_FAULT_RESPONSE",
    "TON_MAX": "TON_MAX_FAULT_RESPONSE",
}
_INPUT_VOLTAGE_BITS = (1 << 7, 1 << 4)
_INPUT_BITS = (*_INPUT_VOLTAGE_BITS, 1 << 2)
_BY_A_LOW_INPUT = frozenset({"UV", "TON_MAX", "UC"})
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


def goes_on(capture: StatusCapture) -> bool:
    """Whether the device was told, for each fault that it reports of a rail, to go on as if nothing were.

    Bits 7:6 of a response byte are 00 then (PMBus Part II section 10.5, from memory).
    """
    own = own_faults(capture)
    responses = [capture.registers.get(_RESPONSES.get(kind, "")) for kind in own]
    return bool(own) and all(byte is not None and not byte >> 6 for byte in responses)


def is_latched(capture: StatusCapture) -> bool:
    """Whether the device was told, for each fault that it reports of a rail, not to try again; False if unknown.

    Bits 7:6 of a response byte are 10 or 01, and bits 5:3 are 0 then (PMBus Part II section 10.5, from memory).
    """
    own = own_faults(capture)
    responses = [capture.registers.get(_RESPONSES.get(kind, "")) for kind in own]
    return bool(own) and all(byte is not None and byte >> 6 in (1, 2) and not byte >> 3 & 7 for byte in responses)


def is_off(capture: StatusCapture) -> bool:
    """Whether a rail does not deliver power (STATUS_WORD bit 6)."""
    return bool(capture.registers.get("STATUS_WORD", 0) & STATUS_WORD_OFF)


def classify(
    captures: Sequence[StatusCapture],
    moving: Collection[str],
    fed_by: Mapping[str, frozenset[str]] | None = None,
) -> Classification:
    """Find the rail that a fault began on.

    Suspects are the rails with a fault bit of their own limits or a new entry in a fault log. Of several, the one with
    the first entry, where one clock stamped all; else the only one that no rail above it explains (``fed_by``, by rail:
    what it hangs on). Without a suspect, the only moving rail if it is off. Else undetermined: two rails with bits of
    their own may be cause and consequence. An input that reports a fault of its voltage explains every under-voltage.
    ``moving`` are the rails commanded last and not yet settled.
    """
    faults = {capture.rail: own for capture in captures if (own := own_faults(capture))}
    down = [capture.rail for capture in captures if is_off(capture)]
    affected = list(dict.fromkeys([*faults, *down]))
    originator, why = _originator(captures, faults, [rail for rail in down if rail in moving], fed_by or {})
    return Classification(
        originator=originator,
        kind=_kind(faults.get(originator) or tuple(dict.fromkeys(k for own in faults.values() for k in own)), captures),
        followers=tuple(rail for rail in affected if rail != originator),
        is_severe=any(_SEVERE.intersection(own) for own in faults.values()),
        why=why,
    )


def _originator(
    captures: Sequence[StatusCapture],
    faults: Mapping[str, tuple[str, ...]],
    moved: Sequence[str],
    fed_by: Mapping[str, frozenset[str]],
) -> tuple[str, str]:
    stamps = {capture.rail: tuple(item for item in capture.stamps if _is_own(item)) for capture in captures}
    input_bits = _input_bits(captures, _INPUT_VOLTAGE_BITS)
    suspects = [rail for rail in stamps if faults.get(rail) or stamps[rail]]
    if any(is_off(capture) for capture in captures):
        # A device that was told to go on has not shut anything down.
        going_on = {capture.rail for capture in captures if not is_off(capture) and goes_on(capture)}
        suspects = [rail for rail in suspects if rail not in going_on]
    if input_bits:
        # What falls with the input is no originator; what is above a limit of its own still is one.
        suspects = [rail for rail in suspects if set(faults.get(rail, ("UV",))) - _BY_A_LOW_INPUT]
        if not suspects:
            return UNDETERMINED, f"the input supply reports a fault (STATUS_INPUT 0x{input_bits:02X}); no rail began it"
    if suspects:
        return _first_of(suspects, faults, {rail: stamps[rail] for rail in suspects}, fed_by)
    if len(moved) == 1:
        return moved[0], "no rail reports a fault of its own; this one was being moved and is off"
    return UNDETERMINED, "no rail reports a fault of its own, and none that is off was moving alone"


def _first_of(
    suspects: Sequence[str],
    faults: Mapping[str, tuple[str, ...]],
    stamps: Mapping[str, tuple[FaultStamp, ...]],
    fed_by: Mapping[str, frozenset[str]],
) -> tuple[str, str]:
    if len(suspects) == 1:
        has_bit = suspects[0] in faults
        return suspects[0], "the only rail " + ("whose own limits report a fault" if has_bit else "in the fault log")
    first = earliest(stamps)
    if first is not None:
        return first, f"the first entry of the fault log; faults of their own: {', '.join(suspects)}"
    left = not_explained({rail: faults[rail] for rail in suspects}, fed_by) if faults.keys() >= set(suspects) else ()
    if len(left) == 1:
        fallen = ", ".join(rail for rail in suspects if rail != left[0])
        return left[0], f"{fallen} hang on it, and fell below their limits with it"
    return UNDETERMINED, f"faults of their own: {', '.join(suspects)}; nothing tells which came first"


def _is_own(stamp: FaultStamp) -> bool:
    """Whether an entry tells of a rail's own limit; one that does not say of what does."""
    if stamp.register is None or stamp.bits is None:
        return True
    return any(register == stamp.register and bit & stamp.bits for register, bit, _ in _OWN_BITS)


def _input_bits(captures: Sequence[StatusCapture], bits: Iterable[int]) -> int:
    held = 0
    for capture in captures:
        held |= capture.registers.get("STATUS_INPUT", 0)
    return held & sum(bits)


def _kind(own: tuple[str, ...], captures: Sequence[StatusCapture]) -> str:
    if own:
        return "+".join(own)
    return "input" if _input_bits(captures, _INPUT_BITS) else "off"
