"""Program messages as an instrument takes them apart: units, headers, abbreviations.

Source, from memory: IEEE 488.2-1992 section 7 (messages and units), SCPI-99 volume 1 sections 6.2.2 (long and short
forms), 6.2.4 and 6.2.5 (the header path after a semicolon).
"""

import re
from dataclasses import dataclass

__all__ = ["Pattern", "ProgramUnit", "split_message"]

_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\??)(?:\s+(.*))?", re.DOTALL)
_NODE = re.compile(r"(\[?):?([A-Za-z]+)\]?")


@dataclass(frozen=True, kw_only=True, slots=True)
class ProgramUnit:
    """One command or query: its header, spelled from the root, in upper case, and its parameters as text."""

    header: str
    is_query: bool
    parameters: tuple[str, ...]


def _pieces(text: str, separator: str) -> list[str]:
    """Split where the separator stands outside quotes and parentheses."""
    pieces, piece, quote, depth = [], "", "", 0
    for character in text:
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character in "()":
            depth += 1 if character == "(" else -1
        elif character == separator and depth <= 0:
            pieces.append(piece)
            piece = ""
            continue
        piece += character
    if quote or depth:
        raise ValueError("a quote or a parenthesis is left open")
    return [*pieces, piece]


def split_message(message: str) -> tuple[ProgramUnit, ...]:
    """Take a message apart.

    After a semicolon a header without a leading colon goes on from the branch of the one before; common commands
    (``*...``) leave that branch as it is.

    Raises:
        ValueError: says what is not well formed.

    """
    units, branch = [], ""
    for piece in _pieces(message, ";"):
        text = piece.strip()
        if not text:
            continue
        match = _HEADER.fullmatch(text)
        if match is None:
            raise ValueError(f"no header in {text!r}")
        header, question, parameters = match[1].upper(), match[2], match[3]
        if not header.startswith("*"):
            header = header[1:] if header.startswith(":") else f"{branch}{header}"
            branch = header[: header.rfind(":") + 1]
        given = tuple(parameter.strip() for parameter in _pieces(parameters or "", ","))
        if parameters and "" in given:
            raise ValueError(f"a parameter is missing in {text!r}")
        units.append(ProgramUnit(header=header, is_query=bool(question), parameters=given if parameters else ()))
    return tuple(units)


class Pattern:
    """A header as manuals print it: ``[SENSe:]VOLTage[:DC]:NPLCycles``; capitals are the short form.

    A node may carry the number 1, which means the first of its kind.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        if text.startswith("*"):
            self._expression = re.compile(re.escape(text.upper()))
            return
        expression = ""
        for bracket, name in _NODE.findall(text):
            short = "".join(character for character in name if not character.islower())
            node = f":(?:{name.upper()}|{short})1?"
            expression += f"(?:{node})?" if bracket else node
        self._expression = re.compile(expression)

    def matches(self, header: str) -> bool:
        """Tell whether a header, in upper case and spelled from the root, is this one."""
        return self._expression.fullmatch(header if header.startswith("*") else f":{header}") is not None
