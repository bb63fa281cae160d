"""One worker after another: what the present one has loaded, has been shown, and how it is replaced when it is lost."""

from pathlib import Path

from cornerrun.clock import Clock
from cornerrun.errors import CheckError
from cornerrun.plan.model import Check
from cornerrun.run.commands import found
from cornerrun.run.suite import Suite, suite_file
from cornerrun.run.view import CheckView
from cornerrun.run.wire import encode_view
from cornerrun.run.worker_link import Reply, Tick, Trouble, WorkerLink

__all__ = ["Call", "WorkerSession"]

_LOAD_TIMEOUT_S = 60.0  # chosen: a check may import something large

Call = str | tuple[str, ...] | Suite


class WorkerSession:
    """Keep one worker warm; a new one is started when it is needed and the last was lost.

    ``generation`` counts the workers so far: what was set up in an earlier one is gone.
    """

    def __init__(self, *, directory: Path, clock: Clock) -> None:
        self._directory = directory
        self._clock = clock
        self._link: WorkerLink | None = None
        self._loaded: dict[str, Path | None] = {}
        self._shown: CheckView | None = None
        self.generation = 0

    @property
    def is_warm(self) -> bool:
        """Whether there is a worker."""
        return self._link is not None and self._link.is_alive

    def find(self, call: Call, tick: Tick | None = None, *, is_interruptible: bool = True) -> Path | None:
        """Load a callable, or find a command; tell the file that it is in, if any. CheckError says why it cannot be."""
        if isinstance(call, Suite):
            return suite_file(call, self._directory)
        if not isinstance(call, str):
            return found(call, self._directory)
        if not self.is_warm or call not in self._loaded:
            request = {"op": "load", "target": call}
            reply = self._linked(tick).ask(
                request, timeout_s=_LOAD_TIMEOUT_S, tick=tick, is_interruptible=is_interruptible
            )
            if reply.trouble is not None:
                raise CheckError(f"importing it: {reply.trouble.text}")
            if reply.answer["trouble"]:
                raise CheckError(str(reply.answer["trouble"]))
            path = str(reply.answer["path"])
            self._loaded[call] = Path(path) if path else None
        return self._loaded[call]

    def trials(
        self,
        check: Check,
        call: Call,
        view: CheckView,
        tick: Tick | None,
        *,
        count: int,
        is_hook: bool = False,
        is_interruptible: bool = True,
    ) -> Reply:
        """Have a batch of trials done, the first of them that of the view; see `WorkerLink.ask`.

        The worker is shown the view where it has not seen it yet.
        """
        try:
            self.find(call, tick, is_interruptible=is_interruptible)
            link = self._linked(tick)
        except CheckError as error:
            is_stopped = is_interruptible and self._clock.stop.reason is not None
            trouble = Trouble(kind="stopped" if is_stopped else "died", text=f"{_shown(call)}: {error}")
            return Reply(trouble=trouble)
        request: dict[str, object] = {
            "op": "trials",
            **_request_of(call),
            "check": check.name,
            "settings": dict(check.settings or view.settings),
            "first": view.trial,
            "count": count,
            "is_hook": is_hook,
        }
        if self._shown is None or not _is_same_place(self._shown, view):
            request["view"] = encode_view(view)
            self._shown = view
        return link.ask(request, timeout_s=check.timeout_s, tick=tick, is_interruptible=is_interruptible)

    def close(self) -> str:
        """End the worker and everything that checks have started; says what could not be ended, mostly nothing."""
        if self._link is None:
            return ""
        link, self._link = self._link, None
        return link.close()

    def _linked(self, tick: Tick | None) -> WorkerLink:
        if self._link is None or not self._link.is_alive:
            self._loaded.clear()
            self._shown = None
            self._link = WorkerLink(directory=self._directory, clock=self._clock)
            self._link.wait_until_ready(tick)
            self.generation += 1
        return self._link


def _shown(call: Call) -> str:
    if isinstance(call, Suite):
        return " ".join(("pytest", *call.arguments))
    return call if isinstance(call, str) else " ".join(call)


def _request_of(call: Call) -> dict[str, object]:
    if isinstance(call, Suite):
        return {"suite": call.arguments}
    return {"python": call} if isinstance(call, str) else {"command": call}


def _is_same_place(one: CheckView, other: CheckView) -> bool:
    """Whether two views differ by check, trial and settings at most; by identity, since comparing costs as much."""
    return (
        one.readings is other.readings
        and one.levels is other.levels
        and one.conditions is other.conditions
        and one.unit is other.unit
        and (one.corner, one.visit, one.seed, one.serial, one.directory)
        == (other.corner, other.visit, other.seed, other.serial, other.directory)
    )
