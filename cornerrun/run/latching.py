"""What follows when a board is not left at nominal: its bench is latched, and somebody is called."""

import os
import shlex
import subprocess
from collections.abc import Mapping

from cornerrun.bench.latch import LatchNote, latched, leave_latch
from cornerrun.bench.ports import BenchPorts
from cornerrun.errors import CheckError, Latched
from cornerrun.plan.bench_file import Alarm, BenchFile
from cornerrun.results.records import EndState
from cornerrun.results.store import Store
from cornerrun.run.commands import found

__all__ = ["call_alarm", "call_for_help", "refuse_if_latched"]

_TAIL = 300  # chosen: characters of the command's output that its failure shows


def refuse_if_latched(bench: BenchPorts, store: Store) -> None:
    """Raise Latched if the bench was left off, here or by a run that keeps its results elsewhere."""
    for latch in store.latches(bench.identity):
        run = f"run {latch.run_id}" if latch.run_id else "to-nominal"
        raise Latched(_told(bench.identity, latch.end_state, run, latch.why))
    note = None if bench.is_private else latched(bench.identity)
    if note is not None:
        where = f"run {note.run_id or 'without a name'}, kept in {note.store or 'another store'}"
        raise Latched(_told(bench.identity, note.end_state, where, note.why))


def call_for_help(
    bench_file: BenchFile,
    *,
    bench_id: str,
    is_private: bool,
    store: str,
    run_id: str,
    end_state: EndState,
    why: str,
    serial: str = "",
    title: str = "",
) -> str:
    """Leave a note for runs that keep their results elsewhere, and call the alarm; returns what went wrong of that.

    A bench inside this process needs no note. The latch itself is the store's. Never raises.
    """
    if not is_private:
        leave_latch(bench_id, LatchNote(run_id=run_id, store=store, end_state=end_state.value, why=why))
    facts = {
        "RUN": run_id,
        "SERIAL": serial,
        "STATION": bench_file.station,
        "BENCH": bench_id,
        "TITLE": title,
        "END_STATE": end_state.value,
        "WHY": why,
    }
    return call_alarm(bench_file, facts)


def call_alarm(bench_file: BenchFile, facts: Mapping[str, str]) -> str:
    """Start the alarm command of a bench, and wait for it; returns what went wrong, or nothing.

    ``facts`` go to the command as environment variables CORNERRUN_NAME. Never raises.
    """
    alarm = bench_file.alarm
    if alarm is None:
        return ""
    try:
        return _called(alarm, bench_file, facts)
    except (OSError, ValueError, CheckError, subprocess.SubprocessError) as error:
        return f"the alarm command {alarm.command!r} failed: {error}"


def _called(alarm: Alarm, bench_file: BenchFile, facts: Mapping[str, str]) -> str:
    words = shlex.split(alarm.command)
    program = found(words, bench_file.directory)
    told = {f"CORNERRUN_{name}": text.replace("\0", " ")[:10_000] for name, text in facts.items()}
    ended = subprocess.run(
        [str(program), *words[1:]],
        cwd=bench_file.directory,
        env={**os.environ, **told},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=alarm.timeout_s,
        check=False,
        start_new_session=True,
    )
    if ended.returncode == 0:
        return ""
    tail = (ended.stderr or ended.stdout).decode(errors="replace").strip()[-_TAIL:]
    return f"the alarm command {alarm.command!r} ended with {ended.returncode}: {tail}"


def _told(identity: str, end_state: str, where: str, why: str) -> str:
    return (
        f"bench {identity!r} was left {end_state} by {where}: {why or 'no reason was kept'}. Find the cause, then a "
        "named person acknowledges it with `cornerrun acknowledge PLAN --name NAME --found TEXT`"
    )
