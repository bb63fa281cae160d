"""Bytes of a file a person wrote -> text, its hash, and a clear problem for whatever is no text file."""

import codecs
import hashlib
import re
import stat
from pathlib import Path
from typing import Literal

from cornerrun.plan.model import Source
from cornerrun.plan.nodes import ProblemList, Where

__all__ = ["Role", "read_source"]

Role = Literal["plan", "limits", "bench", "simulation", "units", "rails", "profile", "dialect", "checks"]

_LARGEST_BYTES = 4 * 1024 * 1024  # chosen: a hundred times a plan of 64 rails
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")


def read_source(path: Path, role: Role, problems: ProblemList) -> tuple[str, Source] | None:
    """Read a text file as UTF-8, a byte order mark aside; None if a problem was added instead."""
    start = Where(path=path, line=1, column=1)
    article = "no" if role in ("limits", "rails", "units", "checks") else "a"
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            problems.add(start, role, "is a directory", f"name the {role} file in it")
            return None
        if not stat.S_ISREG(mode):
            problems.add(
                start, role, "is no ordinary file", f"name {article} {role} file" if article == "a" else "name one"
            )
            return None
        data = path.read_bytes()
    except FileNotFoundError:
        problems.add(start, role, "there is no such file", _neighbour(path))
        return None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        problems.add(start, role, f"cannot be read: {reason}", "check its path and permissions")
        return None
    source = Source(role=role, path=path, sha256=hashlib.sha256(data).hexdigest())
    if len(data) > _LARGEST_BYTES:
        problems.add(
            start, role, f"is {len(data)} bytes long", f"at most {_LARGEST_BYTES} are read; is it the right file?"
        )
        return None
    text = _decoded(data, start, role, problems)
    return None if text is None else (text, source)


def _decoded(data: bytes, start: Where, role: str, problems: ProblemList) -> str | None:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        problems.add(start, role, "is UTF-16 text", "save it as UTF-8")
        return None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8-sig", "replace")
        problems.add(
            position(start.path, before),
            role,
            f"the byte 0x{data[error.start]:02X} is no UTF-8 text",
            "save the file as UTF-8",
        )
        return None
    bad = _UNPRINTABLE.search(text)
    if bad is not None:
        problems.add(
            position(start.path, text[: bad.start()]),
            role,
            f"holds the control character U+{ord(bad[0]):04X}",
            "delete it; is this a text file?",
        )
        return None
    return text


def position(path: Path, before: str) -> Where:
    """Tell where a text ends, as the place of what follows it."""
    lines = re.split("\r\n|\r|\n", before)
    return Where(path=path, line=len(lines), column=len(lines[-1]) + 1)


def _neighbour(path: Path) -> str:
    """Suggest a file beside the one that is missing."""
    from cornerrun.plan.nearest import nearest

    try:
        beside = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return f"there is no directory {str(path.parent)!r} either; check the path"
    close = nearest(path.name, beside)
    return (
        f"did you mean {close!r}?" if close else f"check the path; it is looked for in {str(path.parent.resolve())!r}"
    )
