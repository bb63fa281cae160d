"""Who a device says it is."""

from collections.abc import Callable, Mapping

__all__ = ["IDENTITY_REGISTERS", "identity_texts", "revision_text"]

IDENTITY_REGISTERS = {"maker": "MFR_ID", "model": "MFR_MODEL", "revision": "MFR_REVISION", "serial": "MFR_SERIAL"}
# Low nibble of PMBUS_REVISION is Part II, high nibble Part I: 0x22 is 1.2 of both (data sheets that restate it).
_REVISIONS = ("1.0", "1.1", "1.2", "1.3", "1.4", "1.5")


def identity_texts(
    has: Callable[[str], bool], read: Callable[[str], bytes | None], wanted: Mapping[str, str]
) -> Mapping[str, str]:
    """Read the registers of identity that a device has, those first that a plan pins (``wanted``).

    ``read`` gives None for one that turns out to be missing.
    """
    texts = {}
    for field in (*wanted, *(field for field in IDENTITY_REGISTERS if field not in wanted)):
        if has(IDENTITY_REGISTERS[field]):
            data = read(IDENTITY_REGISTERS[field])
            if data is not None:
                texts[field] = data.rstrip(b"\0 ").decode("ascii", errors="backslashreplace")
    if has("PMBUS_REVISION"):
        data = read("PMBUS_REVISION")
        if data is not None:
            texts["pmbus revision"] = revision_text(data[0])
    return texts


def revision_text(byte: int) -> str:
    """Write a PMBUS_REVISION byte."""
    return f"Part I {_revision(byte >> 4)}, Part II {_revision(byte & 0xF)}"


def _revision(nibble: int) -> str:
    return _REVISIONS[nibble] if nibble < len(_REVISIONS) else f"code {nibble}"
