"""`cornerrun init`: a starter plan with checks and a simulated bench: an installed wheel is useful alone."""

import shutil
from pathlib import Path

import click

from cornerrun.errors import UsageError

command_doc = """Write a starter plan with checks and a simulated bench into DIR.

Nothing that is there already is overwritten. Change the files to suit your board; keep hard limits someone else's.
"""
_STARTERS = {
    "quickstart": "short, and most of what there is",
    "four_corners": "temperature and input voltage around the rails",
    "forty_rails": "rails from a table, limits and units in files of their own, every scheme",
    "supplied": "rails made by bench supplies instead of managers",
}


@click.command(help=command_doc)
@click.argument("directory", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--starter",
    type=click.Choice(list(_STARTERS)),
    default="quickstart",
    show_default=True,
    help=f"Which one: {'; '.join(f'{name}: {what}' for name, what in _STARTERS.items())}.",
)
def command(directory: Path, starter: str) -> None:
    """Copy the starter files."""
    sources = sorted(path for path in starter_directory().iterdir() if path.name.startswith(starter))
    if not sources:
        raise UsageError(
            f"{starter_directory()}: the starter files are missing from this installation; install it again"
        )
    there = [directory / path.name for path in sources if (directory / path.name).exists()]
    if there:
        raise UsageError(f"{there[0]} is there already, and nothing was written; give a folder without it")
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for path in sources:
            shutil.copy(path, directory / path.name)
    except OSError as error:
        raise UsageError(f"{directory}: the starter plan cannot be written there: {error}") from error
    for path in sources:
        click.echo(f"wrote {directory / path.name}")
    click.echo("Next:")
    if directory != Path():
        click.echo(f"  cd {directory}")
    click.echo(f"  cornerrun preflight {starter}.yaml")
    click.echo(f"  cornerrun run {starter}.yaml --serial 00123")


def starter_directory() -> Path:
    """Find the starter files: inside an installed package, or at the top of a checkout."""
    packaged = Path(__file__).parent / "starter"
    return packaged if packaged.is_dir() else Path(__file__).parents[2] / "plans"
