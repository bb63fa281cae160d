"""The side file of a store: heads of audit trails, a JSON line whenever a run begins, resumes or ends."""

import json
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Head", "HeadsFile"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Head:
    """How a run's trail ended at one moment: its number of links, and the hash of the last one."""

    links: int
    sha256: str


@dataclass(frozen=True, kw_only=True, slots=True)
class HeadsFile:
    """The side file; ``path`` None keeps nothing, for a store in memory."""

    path: Path | None

    def keep(self, run_id: str, head: Head) -> None:
        """Append a head and bring it to the disk. A side file that cannot be written is missed by `audit`, not here."""
        if self.path is None:
            return
        line = json.dumps({"run": run_id, "links": head.links, "sha256": head.sha256})
        with suppress(OSError), self.path.open("a", encoding="utf-8") as file:
            file.write(line + "\n")
            file.flush()
            os.fsync(file.fileno())

    def of(self, run_id: str) -> tuple[Head, ...]:
        """Return the heads kept of a run, oldest first; lines that cannot be read are passed over."""
        if self.path is None:
            return ()
        try:
            text = self.path.read_text(encoding="utf-8", errors="replace")
        except OSError:
            return ()
        found = []
        for line in text.splitlines():
            with suppress(ValueError, KeyError, TypeError):
                content = json.loads(line)
                if content["run"] == run_id:
                    found.append(Head(links=int(content["links"]), sha256=str(content["sha256"])))
        return tuple(found)
