"""Random numbers as pure functions of a key: a resumed run draws the same again."""

from hashlib import blake2b
from statistics import NormalDist

__all__ = ["normal", "uniform"]

_STANDARD = NormalDist()


def uniform(*key: int | str) -> float:
    """Draw from the open interval (0, 1); the same key draws the same number on every machine."""
    text = "\x1f".join(map(str, key))
    digest = blake2b(text.encode(), digest_size=8).digest()
    # 53 bits fill a float's mantissa; the half keeps both ends out, where a normal quantile is infinite.
    return ((int.from_bytes(digest, "big") >> 12) + 0.5) / 2.0**52


def normal(*key: int | str) -> float:
    """Draw from the standard normal distribution; the same key draws the same number."""
    return _STANDARD.inv_cdf(uniform(*key))
