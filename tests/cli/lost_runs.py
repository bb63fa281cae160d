"""Find the guardian of a run that is under way, and wait for processes."""

import re
import time
from pathlib import Path


def wait_until_moved(process):
    """Read progress until the second visit has ended: rails are then on their way to, or at, another corner."""
    for line in process.stderr:
        if re.match(r"visit +1 ", line):
            return
    raise AssertionError("the run ended early")


def guardian_of(process, timeout_s: float = 20.0) -> int:
    deadline_s = time.monotonic() + timeout_s
    while time.monotonic() < deadline_s:
        for entry in Path("/proc").iterdir():
            try:
                words = (entry / "cmdline").read_bytes()
                parent = (entry / "stat").read_text().rpartition(")")[2].split()[1]
            except OSError:
                continue
            if b"guardian import main" in words and parent == str(process.pid):
                return int(entry.name)
        time.sleep(0.01)
    raise AssertionError("the run has no guardian")


def gone(pid: int, timeout_s: float = 20.0) -> bool:
    deadline_s = time.monotonic() + timeout_s
    while Path(f"/proc/{pid}").exists():
        if time.monotonic() > deadline_s:
            return False
        time.sleep(0.02)
    return True
