"""What the run raises to itself when a visit cannot go on, and how other errors are understood."""

import traceback
from pathlib import Path

from cornerrun.errors import (
    BenchError,
    CheckError,
    CornerrunError,
    GuardRefusal,
    HealthExhausted,
    InstrumentError,
    ProofFailed,
    StoreError,
    SupervisionLost,
    UnsafeState,
)
from cornerrun.run.sequence import Trouble

__all__ = ["Alarmed", "explain", "trouble_of"]


class Alarmed(CornerrunError):
    """Say that the visit ends here, and why; it never leaves `cornerrun.run`.

    ``rails`` are those that showed it.
    """

    def __init__(self, trouble: Trouble, why: str, rails: tuple[str, ...] = ()) -> None:
        self.trouble = trouble
        self.rails = rails
        super().__init__(why)


# The first that fits counts: SupervisionLost, UnsafeState and InstrumentError are bench errors too.
_TROUBLES: tuple[tuple[type[BaseException], Trouble], ...] = (
    (GuardRefusal, Trouble.REFUSED),
    (SupervisionLost, Trouble.SUPERVISION),
    (UnsafeState, Trouble.FAILED_RETURN),
    (InstrumentError, Trouble.INSTRUMENT),
    (HealthExhausted, Trouble.HEALTH),
    (ProofFailed, Trouble.PROOF),
    (BenchError, Trouble.BUS),
    (CheckError, Trouble.CHECK),
    (StoreError, Trouble.STORE),
    (KeyboardInterrupt, Trouble.STOP),
    (SystemExit, Trouble.STOP),
)


def trouble_of(error: BaseException) -> Trouble:
    """Tell what kind of trouble an exception is; one that nobody foresaw is this program's own fault."""
    if isinstance(error, Alarmed):
        return error.trouble
    for kind, trouble in _TROUBLES:
        if isinstance(error, kind):
            return trouble
    return Trouble.INTERNAL


def explain(error: BaseException) -> str:
    """Say an exception in one line for the store and the person at the bench; a bug with the line that it came from."""
    if isinstance(error, CornerrunError):
        return str(error)
    if isinstance(error, KeyboardInterrupt):
        return "interrupted from the keyboard"
    frames = traceback.extract_tb(error.__traceback__)
    where = f" ({Path(frames[-1].filename).name}:{frames[-1].lineno} in {frames[-1].name})" if frames else ""
    return f"internal error: {type(error).__name__}: {error}{where}"
