"""Turn signals into a flag: the run acts on it at its next safe point, and a second Ctrl-C changes nothing."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from cornerrun.clock import StopFlag

__all__ = ["stop_on_signals"]

_SIGNALS = {
    signal.SIGINT: "interrupted from the keyboard (SIGINT)",
    signal.SIGTERM: "asked to end (SIGTERM)",
    signal.SIGHUP: "the terminal is gone (SIGHUP)",
}


@contextmanager
def stop_on_signals(stop: StopFlag) -> Iterator[None]:
    """Let SIGINT, SIGTERM and SIGHUP set the flag and nothing else while the block runs.

    The handlers found are put back at the end. Outside the main thread, where Python takes no handlers, nothing is
    changed: signals then go where the main thread wants them.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def ask(number: int, _frame: FrameType | None) -> None:
        stop.request(_SIGNALS[signal.Signals(number)])

    found = {number: signal.signal(number, ask) for number in _SIGNALS}
    try:
        yield
    finally:
        for number, handler in found.items():
            # None: a handler that was not set from Python, and cannot be put back from here.
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
