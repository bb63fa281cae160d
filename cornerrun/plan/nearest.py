"""The nearest known name, for messages that say what a typo may have meant."""

from collections.abc import Iterable
from difflib import get_close_matches

__all__ = ["nearest", "suggestion"]

_SHOWN = 12  # chosen: a longer list hides what it should show


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Find the known name that looks most like ``word``, letter case aside; None if none comes near."""
    by_folded: dict[str, str] = {}
    for name in known:
        by_folded.setdefault(_folded(name), name)
    close = get_close_matches(_folded(word), by_folded, n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def suggestion(word: str, known: Iterable[str]) -> str:
    """Say what ``word`` may have meant; where nothing comes near, list what is known."""
    names = list(dict.fromkeys(known))
    close = nearest(word, names)
    if close is not None:
        return f"did you mean {close!r}?"
    if not names:
        return "none is defined here"
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return f"known: {', '.join(names[:_SHOWN])}{more}"


def _folded(name: str) -> str:
    return name.casefold().replace("-", "_").replace(" ", "_")
