"""`cornerrun schema`: JSON Schemas of the files a person writes, for editors, and of the report, for programs."""

import json
from pathlib import Path

import click

from cornerrun.cli.common import print_json
from cornerrun.errors import UsageError

__all__ = ["command", "every_schema"]

_DIALECTS = ("meter-dialect", "supply-dialect", "condition-dialect")
_KINDS = ("plan", "limits", "bench", "simulation", "profile", *_DIALECTS, "report")


@click.command()
@click.argument("kind", required=False, type=click.Choice(_KINDS))
@click.option(
    "--out",
    "directory",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write one file a kind, named cornerrun-KIND.schema.json, into DIR.",
)
def command(*, kind: str | None, directory: Path | None) -> None:
    """Print the JSON Schema of one kind of file, or of all by kind; "report" is what `cornerrun report --json` prints.

    An editor that knows YAML schemas then completes keys and marks mistakes while a plan is written.
    """
    schemas = every_schema()
    chosen = {kind: schemas[kind]} if kind is not None else schemas
    if directory is None:
        print_json(chosen[kind] if kind is not None else chosen)
        return
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for name, schema in chosen.items():
            path = directory / f"cornerrun-{name}.schema.json"
            path.write_text(json.dumps(schema, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
            click.echo(f"written: {path}")
    except OSError as error:
        raise UsageError(f"{directory}: schemas cannot be written there: {error.strerror or error}") from error


def every_schema() -> dict[str, dict[str, object]]:
    """Build the schemas of all kinds of files."""
    from cornerrun.bench.pmbus.profile_file import ProfileFile
    from cornerrun.bench.scpi.dialect_file import ConditionDialect, MeterDialect, SupplyDialect
    from cornerrun.bench.simulated.model import SimulationFile
    from cornerrun.plan.schema import schema_of, schemas
    from cornerrun.report.machine_schema import report_schema

    return {
        **schemas(),
        "simulation": schema_of(SimulationFile, "simulation"),
        "profile": schema_of(ProfileFile, "profile"),
        "meter-dialect": schema_of(MeterDialect, "meter dialect"),
        "supply-dialect": schema_of(SupplyDialect, "supply dialect"),
        "condition-dialect": schema_of(ConditionDialect, "condition dialect"),
        "report": report_schema(),
    }
