"""One run a bench: a lock named after the bench, that names its holder and goes with the processes that hold it."""

import fcntl
import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from cornerrun.errors import BenchBusy, BenchError

__all__ = ["hold_bench"]


@contextmanager
def hold_bench(identity: str, *, purpose: str, directory: Path | None = None) -> Iterator[int]:
    """Hold a bench against other processes of this machine while the block runs; give the lock's descriptor.

    The operating system frees the lock once the last process that has the descriptor is gone, so a stale file is no
    obstacle, and a guardian that was given it holds the bench until the board is back. ``directory`` is the machine's
    folder for temporary files unless given: every user of the machine must see the same one.

    Raises:
        BenchBusy: another process holds it; says which, since when and for what.
        BenchError: the lock file cannot be made.

    """
    stem = "cornerrun-" + hashlib.sha256(identity.encode()).hexdigest()[:16]
    folder = directory or Path(tempfile.gettempdir())
    note = folder / f"{stem}.holder"
    try:
        fd = os.open(folder / f"{stem}.lock", os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise BenchError(f"{folder}: the lock of bench {identity!r} cannot be made: {error}") from error
    try:
        with suppress(OSError):
            os.fchmod(fd, 0o666)  # every user of the machine may hold it, whatever the umask of the first one
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BenchBusy(f"bench {identity!r} is held by {_holder(note)}; wait for it, or end it") from error
        except OSError as error:
            raise BenchError(f"{folder}: the lock of bench {identity!r} cannot be made: {error}") from error
        try:
            _leave_note(note, purpose)
            yield fd
        finally:
            with suppress(OSError):
                note.unlink(missing_ok=True)
            fcntl.flock(fd, fcntl.LOCK_UN)
    finally:
        os.close(fd)


def _leave_note(note: Path, purpose: str) -> None:
    holder = {"pid": os.getpid(), "since": datetime.now(UTC).isoformat(timespec="seconds"), "purpose": purpose}
    # Without the note the lock still holds; it only cannot name its holder.
    with suppress(OSError):
        note.write_text(json.dumps(holder), encoding="utf-8")


def _holder(note: Path) -> str:
    try:
        holder = json.loads(note.read_text(encoding="utf-8"))
        return f"process {holder['pid']} ({holder['purpose']}, since {holder['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process"
