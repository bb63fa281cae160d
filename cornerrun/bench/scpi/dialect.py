"""Dialects as data: the words of one kind of instrument, read from a file, so that none needs code of its own."""

import re
from pathlib import Path
from typing import TypeVar

from cornerrun.bench.scpi.dialect_file import ConditionDialect, DialectFile, MeterDialect, SupplyDialect
from cornerrun.errors import PlanError, PlanProblems
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.document import load_document
from cornerrun.plan.model import Source
from cornerrun.plan.nodes import ProblemList
from cornerrun.plan.source import read_source

__all__ = [
    "GENERIC",
    "PACKAGED",
    "condition_dialect",
    "dialect_sources",
    "load_dialect",
    "meter_dialect",
    "supply_dialect",
]

D = TypeVar("D", bound=DialectFile)

PACKAGED = Path(__file__).parent / "dialects"
GENERIC = {"meter": "meter", "supply": "supply", "condition": "chamber"}
"""The packaged dialect of each role that is taken where a bench file names none."""


def meter_dialect(name: str | None, directory: Path) -> MeterDialect:
    """Load the words of a meter; errors as `load_dialect`."""
    return load_dialect(name or GENERIC["meter"], directory, MeterDialect)[0]


def supply_dialect(name: str | None, directory: Path) -> SupplyDialect:
    """Load the words of a supply that makes rails; errors as `load_dialect`."""
    return load_dialect(name or GENERIC["supply"], directory, SupplyDialect)[0]


def condition_dialect(name: str | None, directory: Path) -> ConditionDialect:
    """Load the words of what sets a condition; errors as `load_dialect`."""
    return load_dialect(name or GENERIC["condition"], directory, ConditionDialect)[0]


def load_dialect(name: str, directory: Path, model: type[D]) -> tuple[D, Source]:
    """Load a dialect: ``NAME.yaml`` in ``directory`` (the bench file's), in its folder ``dialects``, or the packaged.

    Raises:
        PlanProblems: the file has problems, each with its position; one for another role is such a problem.
        PlanError: there is no such dialect.

    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 _.-]*", name):
        raise PlanError(f"dialect {name!r} is no name of a dialect; write the file's name without '.yaml'")
    path = _found(name, directory)
    if path is not None:
        document = load_document(path, model, role="dialect")
        troubles = document.model.troubles()
        if troubles:
            raise PlanProblems(tuple(document.problem((key,), came, advice) for key, came, advice in troubles))
        return document.model, document.source
    packaged = ", ".join(sorted(path.stem for path in PACKAGED.glob("*.yaml")))
    raise PlanError(f"there is no dialect {name!r}: no {directory / name}.yaml, and the package has {packaged}")


def dialect_sources(bench_file: BenchFile) -> tuple[Source, ...]:
    """Tell the dialect files beside a bench file that its instruments speak by; packaged ones go with the product."""
    meter = [bench_file.meter] if bench_file.meter is not None else []
    found: dict[Path, Source] = {}
    for instrument in (*meter, *bench_file.instruments.values()):
        role = instrument.driver.rpartition("-")[2]
        name = instrument.dialect or GENERIC.get("meter" if role == "probe" else role)
        path = None if name is None else _found(name, bench_file.directory)
        if path is not None and path.parent != PACKAGED:
            read = read_source(path, "dialect", ProblemList())
            if read is not None:
                found[path] = read[1]
    return tuple(found.values())


def _found(name: str, directory: Path) -> Path | None:
    paths = (folder / f"{name}.yaml" for folder in (directory, directory / "dialects", PACKAGED))
    return next((path for path in paths if path.is_file()), None)
