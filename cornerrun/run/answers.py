"""What a check answered, and what that means: pure, and used on both sides of the worker's link.

A check answers with a verdict, with named numbers, or with both. Anything else is no answer: it is neither a pass nor a
failure of the product.
"""

import json
import math
import re
import signal
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import islice

from cornerrun.plan.model import Acceptance

__all__ = ["BARE", "MOST_NUMBERS", "PASSED", "Answer", "clean", "from_command", "from_return", "judged"]

BARE = ""  # the name of a number that came without one, until `judged` finds the one that `accept` gives
MOST_NUMBERS = 256  # chosen: more named numbers than a person would write limits for
_NAME_LENGTH = 120
_LINE = re.compile(r"\s*([A-Za-z_][\w .:/-]*?)\s*=\s*(\S+)\s*\Z")
_NOT_RUN = {126: "it is not executable", 127: "it or a command in it was not found"}  # POSIX sh, 2.8.2, exit status


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What came of one trial: a verdict or None, named numbers, and why it is no answer where it is none.

    ``tests`` are those of a suite: name, verdict, seconds, reason.
    """

    passed: bool | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)
    trouble: str = ""
    reason: str = ""
    tests: tuple[tuple[str, bool | None, float, str], ...] = ()


PASSED = Answer(passed=True)


def clean(text: object, limit: int = 400) -> str:
    """Make a text of anything, on one line, short, and without what a store or a sheet cannot hold."""
    try:
        shown = str(text)
    except BaseException as error:
        shown = f"a {type(text).__name__} that cannot be shown ({type(error).__name__})"
    shown = shown[: 4 * limit].encode("utf-8", "replace").decode()
    shown = " ".join("".join(c if c.isprintable() else " " for c in shown).split())
    return shown if len(shown) <= limit else shown[: limit - 3] + "..."


def from_return(value: object) -> Answer:
    """Read what a Python check returned: a bool, a number, or a mapping of named numbers.

    Zero-dimensional numpy values count as what they hold. A mapping may hold its verdict as ``passed``.
    """
    if value is True:
        return PASSED
    value = _unwrapped(value)
    if isinstance(value, bool):
        return Answer(passed=value)
    if isinstance(value, Mapping):
        return _from_mapping(value, "it returned")
    number = _number(value)
    if value is None:
        trouble = "it returned nothing (None); return True or False, a number, or named numbers"
    elif number is None:
        trouble = f"it returned {_described(value)}; return True or False, a number, or a mapping of named numbers"
    elif not math.isfinite(number):
        trouble = f"it returned {number}, which is no number to judge"
    else:
        return Answer(numbers={BARE: number})
    return Answer(trouble=trouble)


def from_command(exit_status: int, stdout: str) -> Answer:
    """Read what a command left: its exit status (negative: ended by a signal) and its standard output.

    The output is one JSON object, or has lines ``name=number``; lines that are neither are ignored.
    """
    if exit_status < 0:
        return Answer(trouble=f"its command was ended by {_signal_name(-exit_status)}")
    if exit_status in _NOT_RUN:
        return Answer(trouble=f"exit code {exit_status}: {_NOT_RUN[exit_status]}")
    printed = _printed(stdout)
    if exit_status:
        by_signal = f" (128 + {_signal_name(exit_status - 128)})" if 128 < exit_status < 160 else ""
        return Answer(passed=False, numbers=printed.numbers, reason=f"exit code {exit_status}{by_signal}")
    if printed.trouble or printed.passed is False:
        return printed
    return Answer(passed=True, numbers=printed.numbers)


def judged(answer: Answer, accept: Mapping[str, Acceptance]) -> Answer:
    """Judge named numbers by the plan's limits, both inclusive: the answer's own verdict must hold as well."""
    if answer.trouble or (answer.passed is not None and not accept):
        return answer
    numbers = dict(answer.numbers)
    if BARE in numbers:
        if len(accept) != 1:
            wanted = "gives no `accept`" if not accept else f"accepts {', '.join(accept)}"
            return Answer(trouble=f"it returned the number {numbers[BARE]:g} without a name, and the plan {wanted}")
        numbers = {next(iter(accept)): numbers[BARE]}
    if answer.passed is None and not accept:
        return Answer(
            numbers=numbers,
            trouble="it gave numbers but no verdict; add `accept` to the plan, or the key 'passed' to what it returns",
        )
    missing = [name for name in accept if name not in numbers]
    if missing and answer.passed is not False:
        came = f"it gave {', '.join(list(numbers)[:12])}" if numbers else "it gave no number"
        return Answer(numbers=numbers, trouble=f"no number is named {', '.join(map(repr, missing))}; {came}")
    reasons = [answer.reason] if answer.reason else []
    reasons += [
        text for name, limits in accept.items() if name in numbers and (text := _beyond(name, numbers[name], limits))
    ]
    return Answer(passed=answer.passed is not False and not reasons, numbers=numbers, reason="; ".join(reasons))


def _beyond(name: str, number: float, limits: Acceptance) -> str:
    if limits.min is not None and number < limits.min:
        return f"{name} = {number:.6g}, below {limits.min:.6g}"
    if limits.max is not None and number > limits.max:
        return f"{name} = {number:.6g}, above {limits.max:.6g}"
    return ""


def _unwrapped(value: object) -> object:
    """Take the Python value out of a numpy scalar, without importing numpy."""
    if isinstance(value, bool | int | float | str | bytes | Mapping) or value is None:
        return value
    item = getattr(value, "item", None)
    return item() if callable(item) and getattr(value, "shape", None) == () else value


def _number(value: object) -> float | None:
    if isinstance(value, str | bytes | complex) or not (hasattr(value, "__float__") or hasattr(value, "__index__")):
        return None
    try:
        return float(value)  # type: ignore[arg-type]  # what has __float__ or __index__ is allowed here
    except OverflowError:
        return math.inf
    except (TypeError, ValueError):
        return None


def _from_mapping(value: Mapping[object, object], says: str) -> Answer:
    numbers: dict[str, float] = {}
    passed: bool | None = None
    for key, raw in islice(value.items(), MOST_NUMBERS + 1):
        name, plain = _number_name(key) if type(key) is str else clean(key, _NAME_LENGTH), _unwrapped(raw)
        if name == "passed" and isinstance(plain, bool):
            passed = plain
            continue
        number = _number(plain)
        if not name or number is None:
            return Answer(trouble=f"{says} {_described(plain)} for {name!r}, where a number is due")
        if not math.isfinite(number):
            return Answer(trouble=f"{says} {number} for {name!r}, which is no number to judge")
        numbers[name] = number
    if len(numbers) > MOST_NUMBERS:
        return Answer(trouble=f"{says} more than {MOST_NUMBERS} named numbers")
    if passed is None and not numbers:
        return Answer(trouble=f"{says} an empty mapping")
    return Answer(passed=passed, numbers=numbers)


@lru_cache(maxsize=1024)
def _number_name(name: str) -> str:
    return clean(name, _NAME_LENGTH)


def _printed(stdout: str) -> Answer:
    """Read JSON or name=number lines; what is neither says nothing."""
    text = stdout.strip()
    if text.startswith("{"):
        try:
            found = json.loads(text)
        except (ValueError, RecursionError) as error:
            return Answer(trouble=f"its output begins like JSON but is none: {clean(error, 120)}")
        return _from_mapping(found, "it printed") if found else Answer()
    numbers: dict[str, float] = {}
    for line in stdout.splitlines():
        match = _LINE.match(line) if len(line) < 2 * _NAME_LENGTH else None
        if match is None:
            continue
        try:
            number = float(match[2])
        except ValueError:
            continue  # a line such as path=/dev/ttyS0 is talk, not a number; `accept` misses what it needs
        if not math.isfinite(number):
            return Answer(trouble=f"it printed {match[1]}={match[2]}, which is no number to judge")
        numbers[match[1]] = number
        if len(numbers) > MOST_NUMBERS:
            return Answer(trouble=f"it printed more than {MOST_NUMBERS} named numbers")
    return Answer(numbers=numbers)


def _described(value: object) -> str:
    return f"{clean(repr(value) if isinstance(value, str) else value, 60)} ({type(value).__name__})"


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
