"""Find the file that a command starts, before anything moves."""

import os
import shutil
from collections.abc import Sequence
from pathlib import Path

from cornerrun.errors import CheckError

__all__ = ["found"]


def found(command: Sequence[str], directory: Path) -> Path:
    """Find what a command starts: a name on the PATH, or a file, seen from the plan's directory.

    CheckError says why it could not be started, and what to do.
    """
    if not command or not command[0].strip():
        raise CheckError("its command is empty")
    name = command[0]
    if os.sep not in name:
        on_path = shutil.which(name)
        if on_path is None:
            raise CheckError(f"no command {name!r} on the PATH; for a file beside the plan write ./{name}")
        return Path(on_path)
    path = directory / name
    if not path.is_file():
        raise CheckError(f"there is no file {path}")
    if not os.access(path, os.X_OK):
        raise CheckError(f"{path} is not executable: chmod +x {path}")
    interpreter = _interpreter(path)
    if interpreter and not Path(interpreter).is_file():
        raise CheckError(f"{path} names an interpreter that is not there: {interpreter!r}")
    return path


def _interpreter(path: Path) -> str:
    """Read what the first line names after #!; a carriage return belongs to the name, as it does for the kernel."""
    try:
        with path.open("rb") as file:
            first = file.read(256).partition(b"\n")[0]
    except OSError:
        return ""  # a program that may be run and not read
    words = first[2:].split(b" ") if first.startswith(b"#!") else []
    return next((word.decode("utf-8", "replace") for word in words if word), "")
