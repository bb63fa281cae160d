"""What a guardian is given before a run may move anything, frozen; and how it travels."""

import pickle
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from cornerrun.bench.pmbus.delays import Delays
from cornerrun.bench.ports import Baseline, RestoreRecipe
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan

__all__ = ["Arrival", "Order", "order_from", "order_to_bytes"]

_HEAD = struct.Struct("!I")


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrival:
    """Where a rail's own reading must lie to count as nominal: READ_VOUT as raw words, both ends included."""

    rail: str
    low_word: int
    high_word: int
    timeout_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """All that the guardian knows of a run. ``store`` is what opens the store again; empty: nothing is kept.

    ``recipe`` has the buses that another process can reach; ``supplies`` are those that make rails and can be reached,
    brought back from the ``baseline``. ``plan`` and ``bench_file`` are for constructors of drivers. ``delays``
    go by bus and address. Rails without an arrival are verified by their registers only.
    """

    recipe: RestoreRecipe
    plan: Plan
    bench_file: BenchFile
    store: str
    baseline: Baseline
    supplies: tuple[str, ...] = ()
    delays: Mapping[tuple[str, int], Delays] = field(default_factory=dict)
    arrivals: tuple[Arrival, ...] = ()


def order_to_bytes(order: Order) -> bytes:
    """Write an order for the pipe to one's own child process; it never comes from anywhere else, nor is it stored."""
    data = pickle.dumps(order)
    return _HEAD.pack(len(data)) + data


def order_from(receive: Callable[[int], bytes]) -> Order:
    """Read an order; ``receive`` returns at most so many bytes, and none at the end. EOFError if it ends early."""

    def exactly(count: int) -> bytes:
        parts = bytearray()
        while len(parts) < count:
            part = receive(count - len(parts))
            if not part:
                raise EOFError("the order ended early")
            parts += part
        return bytes(parts)

    (length,) = _HEAD.unpack(exactly(_HEAD.size))
    order = pickle.loads(exactly(length))
    if not isinstance(order, Order):
        raise TypeError(f"{type(order).__name__} is no order")
    return order
