"""Ctrl-C where nothing moves: it ends the command, and is neither lost nor answered with a traceback."""

import atexit
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

__all__ = ["no_interrupt_is_lost"]

_AGAIN_S = 0.01  # chosen: by then the destructor that swallowed it has returned


@contextmanager
def no_interrupt_is_lost() -> Iterator[None]:
    """Raise a Ctrl-C again that came while Python ran a destructor, which cannot pass it on.

    That is no rare place: collecting a run's garbage takes a tenth of a second, and a signal is answered by the first
    line of Python after it, such as `StopFlag.__del__`. Outside the main thread, which alone gets signals, nothing is
    done.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    # What was asked is done when Python takes itself down: a Ctrl-C then would only hide the exit code. What is
    # registered first is done last.
    atexit.register(signal.signal, signal.SIGINT, signal.SIG_IGN)
    others = sys.unraisablehook

    def again(args: "UnraisableHookArgs") -> None:
        if issubclass(args.exc_type, KeyboardInterrupt):
            signal.setitimer(signal.ITIMER_REAL, _AGAIN_S)
        else:
            others(args)

    found = signal.signal(signal.SIGALRM, signal.default_int_handler)
    sys.unraisablehook = again
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        sys.unraisablehook = others
        signal.signal(signal.SIGALRM, found if found is not None else signal.SIG_DFL)
