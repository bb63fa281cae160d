"""A note beside the lock of a bench that was left off: runs that keep their results elsewhere must see it, too.

The store holds the latch and who acknowledged it. The note only guards against another store on the same machine; it
lies in the folder for temporary files, where every user of the machine sees it, and may be lost at a restart.
"""

import hashlib
import json
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

__all__ = ["LatchNote", "clear_latch", "latched", "leave_latch"]


@dataclass(frozen=True, kw_only=True, slots=True)
class LatchNote:
    """Why a bench was left off: the run, where it keeps its results, the board's state."""

    run_id: str
    store: str
    end_state: str
    why: str


def leave_latch(identity: str, note: LatchNote, *, directory: Path | None = None) -> None:
    """Leave a note. That it cannot be written changes nothing for the store's own latch, and is not told."""
    content = {"run": note.run_id, "store": note.store, "end_state": note.end_state, "why": note.why}
    with suppress(OSError):
        path = _path(identity, directory)
        path.write_text(json.dumps(content), encoding="utf-8")
        path.chmod(0o666)


def latched(identity: str, *, directory: Path | None = None) -> LatchNote | None:
    """Read the note of a bench; None if there is none. One that cannot be read counts as a note without words."""
    try:
        text = _path(identity, directory).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return None
    except OSError as error:
        text = json.dumps({"why": f"its latch cannot be read: {error}"})
    try:
        content = dict(json.loads(text))
    except (ValueError, TypeError):
        content = {"why": "its latch cannot be read"}
    return LatchNote(
        run_id=str(content.get("run", "")),
        store=str(content.get("store", "")),
        end_state=str(content.get("end_state", "unknown")),
        why=str(content.get("why", "")),
    )


def clear_latch(identity: str, *, directory: Path | None = None) -> None:
    """Take the note away; nothing happens if there is none."""
    with suppress(FileNotFoundError):
        _path(identity, directory).unlink()


def _path(identity: str, directory: Path | None) -> Path:
    stem = "cornerrun-" + hashlib.sha256(identity.encode()).hexdigest()[:16]
    return (directory or Path(tempfile.gettempdir())) / f"{stem}.latch"
