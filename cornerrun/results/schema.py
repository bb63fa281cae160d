"""The tables of a store. SQLAlchemy is imported here only; `store` imports this module when a store is opened."""

from sqlalchemy import BigInteger, Column, Double, ForeignKey, Integer, MetaData, Table, Text

__all__ = [
    "VERSION",
    "about",
    "audit",
    "baselines",
    "changes",
    "checks",
    "discarded",
    "events",
    "fault_trials",
    "faults",
    "intents",
    "latches",
    "metadata",
    "proofs",
    "readings",
    "rests",
    "runs",
    "snapshots",
    "tests",
    "traces",
    "trials",
    "visits",
    "watched",
]

VERSION = 1

metadata = MetaData()


def _key(name: str) -> "Column[int]":
    return Column(name, Integer, primary_key=True, autoincrement=False)


def _run() -> "Column[str]":
    return Column("run_id", Text, ForeignKey("runs.run_id"), primary_key=True)


# One row: what wrote the store and the version of its tables.
about = Table("cornerrun_store", metadata, _key("schema_version"), Column("made_by", Text, nullable=False))

runs = Table(
    "runs",
    metadata,
    Column("run_id", Text, primary_key=True),
    Column("bench_id", Text, nullable=False, index=True),
    Column("bench_kind", Text, nullable=False),
    Column("station", Text, nullable=False),
    Column("serial", Text, nullable=False, index=True),
    Column("operator", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("started_utc", Text, nullable=False, index=True),
    Column("planned_visits", Integer, nullable=False),
    Column("plan_json", Text, nullable=False),
    Column("details_json", Text, nullable=False),
    Column("ended_utc", Text),
    Column("result", Text),
    Column("end_state", Text),
    Column("why", Text, nullable=False),
)

baselines = Table(
    "baselines",
    metadata,
    _run(),
    Column("recipe_json", Text, nullable=False),
    Column("baseline_json", Text, nullable=False),
)

intents = Table(
    "intents",
    metadata,
    Column("intent", Integer, primary_key=True, autoincrement=True),
    Column("run_id", Text, ForeignKey("runs.run_id"), nullable=False, index=True),
    Column("ordinal", Integer, nullable=False),
    Column("at_utc", Text, nullable=False),
    Column("step_json", Text, nullable=False),
)

visits = Table(
    "visits",
    metadata,
    _run(),
    _key("visit"),
    Column("corner", Text, nullable=False),
    Column("repeat", Integer, nullable=False),
    Column("is_control", Integer, nullable=False),
    Column("is_after_seam", Integer, nullable=False),
    Column("is_void", Integer, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("started_utc", Text, nullable=False),
    Column("start_s", Double),
    Column("end_s", Double),
    Column("phase_s_json", Text, nullable=False),
    Column("conditions_json", Text, nullable=False),
)

readings = Table(
    "readings",
    metadata,
    _run(),
    _key("visit"),
    _key("position"),
    Column("rail", Text, nullable=False),
    Column("level", Text, nullable=False),
    Column("target_v", Double),
    Column("setpoint_v", Double),
    Column("word", Integer),
    Column("telemetry_v", Double),
    Column("telemetry_n", Integer, nullable=False),
    Column("reference_v", Double),
    Column("reference_range_v", Double),
    Column("settle_s", Double),
    Column("status_word", Integer),
    Column("current_a", Double),
    Column("temperature_degc", Double),
    Column("outcome", Text, nullable=False),
    Column("reason", Text, nullable=False),
)

checks = Table(
    "checks",
    metadata,
    _run(),
    _key("visit"),
    _key("position"),
    Column("check_name", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("trials", Integer, nullable=False),
    Column("failures", Integer, nullable=False),
)

trials = Table(
    "trials",
    metadata,
    _run(),
    _key("visit"),
    _key("position"),
    Column("check_name", Text, nullable=False),
    Column("trial", BigInteger, nullable=False),
    Column("passed", Integer),
    Column("numbers_json", Text, nullable=False),
    Column("duration_s", Double),
    Column("output", Text, nullable=False),
    Column("reason", Text, nullable=False),
)

watched = Table(
    "watched",
    metadata,
    _run(),
    _key("visit"),
    _key("position"),
    Column("rail", Text, nullable=False),
    Column("during", Text, nullable=False),
    Column("min_v", Double),
    Column("max_v", Double),
    Column("samples", Integer, nullable=False),
)

faults = Table(
    "faults",
    metadata,
    _run(),
    _key("visit"),
    _key("position"),
    Column("at_s", Double),
    Column("kind", Text, nullable=False),
    Column("originator", Text, nullable=False),
    Column("followers_json", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("captures_json", Text, nullable=False),
)

events = Table(
    "events",
    metadata,
    Column("event", Integer, primary_key=True, autoincrement=True),
    Column("run_id", Text, ForeignKey("runs.run_id"), nullable=False, index=True),
    Column("at_s", Double),
    Column("at_utc", Text, nullable=False),
    Column("severity", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("rail", Text, nullable=False),
)

# Rows of the tables below are read and written whole: nobody searches in them.
snapshots = Table(
    "snapshots",
    metadata,
    _run(),
    Column("moment", Text, primary_key=True),
    Column("at_utc", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("snapshot_json", Text, nullable=False),
)

proofs = Table(
    "proofs",
    metadata,
    Column("proof", Integer, primary_key=True, autoincrement=True),
    Column("run_id", Text, ForeignKey("runs.run_id"), nullable=False, index=True),
    Column("rail", Text, nullable=False),
    Column("step_v", Double),
    Column("step_json", Text, nullable=False),
)

fault_trials = Table(
    "fault_trials",
    metadata,
    Column("fault_trial", Integer, primary_key=True, autoincrement=True),
    Column("run_id", Text, ForeignKey("runs.run_id"), nullable=False, index=True),
    Column("rail", Text, nullable=False),
    Column("fault", Text, nullable=False),
    Column("trial_json", Text, nullable=False),
)

traces = Table("traces", metadata, _run(), _key("visit"), Column("traces_json", Text, nullable=False))

tests = Table("tests", metadata, _run(), _key("visit"), Column("tests_json", Text, nullable=False))

changes = Table("changes", metadata, _run(), _key("visit"), Column("changes_json", Text, nullable=False))

# Changes of conditions that belong to no visit: to where they are left at the end.
rests = Table(
    "rests",
    metadata,
    Column("rest", Integer, primary_key=True, autoincrement=True),
    Column("run_id", Text, ForeignKey("runs.run_id"), nullable=False, index=True),
    Column("condition", Text, nullable=False),
    Column("change_json", Text, nullable=False),
)

# Benches that were left off. A row changes once: when a named person acknowledges it.
latches = Table(
    "latches",
    metadata,
    Column("latch", Integer, primary_key=True, autoincrement=True),
    Column("bench_id", Text, nullable=False, index=True),
    Column("run_id", Text, nullable=False),
    Column("end_state", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("set_utc", Text, nullable=False),
    Column("acknowledged_utc", Text),
    Column("acknowledged_by", Text, nullable=False),
    Column("found", Text, nullable=False),
)

# Visits that were broken off and are made again after a resume, as they were.
discarded = Table(
    "discarded",
    metadata,
    Column("discarded", Integer, primary_key=True, autoincrement=True),
    Column("run_id", Text, ForeignKey("runs.run_id"), nullable=False, index=True),
    Column("visit", Integer, nullable=False),
    Column("record_json", Text, nullable=False),
)

# The audit trail: one link for each thing kept of a run, each hashed together with the one before. Never changed.
audit = Table(
    "audit",
    metadata,
    _run(),
    _key("link"),
    Column("kind", Text, nullable=False),
    Column("covers_json", Text, nullable=False),
    Column("sha256", Text, nullable=False),
)
