"""Any text -> text that a cell of a workbook can hold, and that stays text."""

import re

__all__ = ["MAX_CELL_CHARACTERS", "cell_text", "looks_like_formula", "xml_text"]

# The most that a cell holds: "Excel specifications and limits", from memory.
MAX_CELL_CHARACTERS = 32_767
_CUT = " [cut]"
# What XML 1.0 cannot hold (section 2.2, Char): most controls, surrogates, two non-characters.
_NO_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
# A reader takes _x0041_ in a cell for the letter A (ECMA-376 part 1, ST_Xstring): so the underscore is spelled out.
_ESCAPE = re.compile("_(?=x[0-9A-Fa-f]{4}_)")


def cell_text(text: str) -> str:
    r"""Return text for a cell: controls are spelled out as ``\x1b``, what is too long is cut and says so."""
    clean = _ESCAPE.sub("_x005F_", xml_text(text))
    if len(clean) > MAX_CELL_CHARACTERS:
        return clean[: MAX_CELL_CHARACTERS - len(_CUT)] + _CUT
    return clean


def xml_text(text: str) -> str:
    r"""Return text that XML and HTML can hold: other controls are spelled out as ``\x1b``, every line ends in LF."""
    return _NO_XML.sub(_spelled, text.replace("\r\n", "\n").replace("\r", "\n"))


def looks_like_formula(text: str) -> bool:
    """Tell whether a program would take a text for a formula once a person edits its cell."""
    return text[:1] in {"=", "+", "-", "@"}


def _spelled(match: re.Match[str]) -> str:
    code = ord(match[0])
    return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}"
