"""Call the command on a clock that is off: `python later_clock.py SECONDS ARGUMENTS [--then ARGUMENTS]...`.

Only a process of its own can do this: whoever has imported `datetime` before keeps the clock that it knew. pyarrow must
not meet another clock: it takes `datetime.datetime` for the C type, and dies.
"""

import datetime
import itertools
import sys
import time

_SHIFT_S = float(sys.argv[1])
_Real = datetime.datetime
_real_time = time.time


class _AnyDatetime(type):
    def __instancecheck__(cls, value):
        return isinstance(value, _Real)


class _Later(_Real, metaclass=_AnyDatetime):
    __slots__ = ()

    @classmethod
    def now(cls, tz=None):
        return _Real.now(tz) + datetime.timedelta(seconds=_SHIFT_S)

    @classmethod
    def utcnow(cls):
        return _Real.now(datetime.UTC).replace(tzinfo=None) + datetime.timedelta(seconds=_SHIFT_S)


if _SHIFT_S:
    datetime.datetime = _Later
    time.time = lambda: _real_time() + _SHIFT_S

if sys.argv[2:] == ["now"]:
    print(datetime.datetime.now(datetime.UTC).timestamp() - _real_time(), time.time() - _real_time())
    sys.exit()

from cornerrun.cli.main import main  # noqa: E402  # not before the clock is another

for is_end, words in itertools.groupby(sys.argv[2:], lambda word: word == "--then"):
    if not is_end:
        try:
            main(list(words))
        except SystemExit as ended:
            if ended.code:
                raise
