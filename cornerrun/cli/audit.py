"""`cornerrun audit`: is what was kept of a run still as it was kept."""

from pathlib import Path

import click

from cornerrun.cli.common import json_option, open_store, print_json, store_options
from cornerrun.errors import EXIT_BENCH, EXIT_PASS, UsageError


@click.command()
@click.argument("run", required=False)
@click.option(
    "--head",
    metavar="LINKS:SHA256",
    help="The head that a report shows, such as 212:9f86...; it must lie on the trail.",
)
@store_options
@json_option
def command(*, run: str | None, head: str | None, results_dir: Path, store_url: str | None, as_json: bool) -> int:
    """Hash everything kept of RUN again (the newest if none is given) and compare it with its audit trail.

    The trail's head also stands in the report and in the side file beside the store (FILE.heads.jsonl): keep copies of
    those elsewhere, since whoever can write everywhere could make a new trail. Exit 3 if anything was changed.
    """
    from cornerrun.results.heads import Head

    reported = None
    if head is not None:
        links, colon, sha256 = head.partition(":")
        if not colon or not links.isdecimal() or not sha256:
            raise UsageError(f"--head {head!r}: write it as the report shows it, LINKS:SHA256")
        reported = Head(links=int(links), sha256=sha256.lower())
    with open_store(results_dir, store_url, must_exist=True, read_only=True) as store:
        found = store.audit(run or "last", reported=reported)
    if as_json:
        print_json(
            {
                "run": found.run_id,
                "is_sound": not found.findings,
                "links": found.head.links,
                "head": found.head.sha256,
                "kept_heads": found.kept_heads,
                "findings": list(found.findings),
            }
        )
    else:
        for finding in found.findings:
            click.echo(finding)
        verdict = f"{len(found.findings)} findings" if found.findings else "unchanged"
        click.echo(f"run {found.run_id}: {verdict}; {found.head.links} links, head {found.head.sha256}")
    return EXIT_BENCH if found.findings else EXIT_PASS
