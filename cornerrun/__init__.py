"""Automated voltage-margin tests on boards with many supply rails.

Public names are loaded when they are asked for: ``import cornerrun`` costs nothing.

``load_run``
    Load a run from a store for a notebook or a script (`cornerrun.report.notebook`).
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cornerrun.report.notebook import load_run

__all__ = ["load_run"]

_FROM = {"load_run": "cornerrun.report.notebook"}


def __getattr__(name: str) -> object:
    if name not in _FROM:
        raise AttributeError(f"module 'cornerrun' has no attribute {name!r}")
    from importlib import import_module

    found: object = getattr(import_module(_FROM[name]), name)
    return found


def __dir__() -> list[str]:
    return sorted([*globals(), *_FROM])
