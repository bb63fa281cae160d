"""Open the database behind a store: a file by default, or any URL that SQLAlchemy knows."""

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event, insert, inspect, select
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.pool import QueuePool, StaticPool

from cornerrun.errors import StoreError
from cornerrun.results import schema

__all__ = ["connect", "file_of", "location", "reason_of", "transaction"]


# A Ctrl-C while a connection goes back to the pool is raised again, and logged with its traceback: to stderr, unless
# somebody listens. Whoever does sees it still; a person at a terminal reads "interrupted".
logging.getLogger("sqlalchemy").addHandler(logging.NullHandler())


def location(url: str | Path) -> URL:
    """Tell what a store's address means: a URL, or else the path of an SQLite file. StoreError if it is no URL."""
    text = str(url)
    if "://" not in text:
        return URL.create("sqlite", database=text)
    try:
        return make_url(text)
    except (ArgumentError, ValueError) as error:
        raise StoreError(f"{text!r} is no address of a store; write a file path, or a URL: {error}") from error


def file_of(url: URL) -> Path | None:
    """Tell the SQLite file that a URL names; None for a server, or for a store in memory."""
    is_file = url.drivername.partition("+")[0] == "sqlite" and url.database not in (None, "", ":memory:")
    return Path(str(url.database)) if is_file else None


def connect(url: URL, *, read_only: bool, busy_timeout_s: float) -> Engine:
    """Open the database, and create its tables where there are none and ``read_only`` is false.

    Raises StoreError if it cannot be reached, is no store, or has tables of another version.
    """
    shown = url.render_as_string(hide_password=True)
    file = file_of(url)
    if file is not None:
        shown = str(file)
        _check_file(file, read_only=read_only)
    try:
        if url.drivername.startswith("sqlite"):
            engine = _sqlite_engine(file, read_only=read_only, busy_timeout_s=busy_timeout_s)
        else:
            engine = create_engine(url, pool_pre_ping=True)
    except (NoSuchModuleError, ImportError, ArgumentError) as error:
        raise StoreError(f"{shown}: no driver for this kind of database is installed: {error}") from error
    try:
        _check_version(engine, shown, read_only=read_only)
    except (SQLAlchemyError, OSError, UnicodeError) as error:
        engine.dispose()
        raise StoreError(f"{shown}: the store cannot be opened: {reason_of(error)}; {_advice(error)}") from error
    except StoreError:
        engine.dispose()
        raise
    return engine


@contextmanager
def transaction(engine: Engine) -> Iterator[Connection]:
    """Give a connection that commits at the end, or takes everything back."""
    with engine.connect().execution_options(is_writing=True) as connection, connection.begin():
        yield connection


def reason_of(error: Exception) -> str:
    """Say in one line what a database said."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    return " ".join(str(cause).split())[:300]


def _advice(error: Exception) -> str:
    text = reason_of(error)
    if "locked" in text:
        return "another program holds it; close that or wait"
    if "not a database" in text or "malformed" in text:
        return "it is no SQLite file, or a damaged one; name another, or bring back a copy"
    if "readonly" in text or "read-only" in text:
        return "make it writable, or name another store"
    return "check the path, the disk and the rights"


def _check_file(file: Path, *, read_only: bool) -> None:
    if file.is_dir():
        raise StoreError(f"{file}: a folder is no store; name a file in it")
    if read_only and not file.exists():
        raise StoreError(f"{file}: there is no store; `cornerrun run` makes one, or name another")
    if not read_only:
        try:
            file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"{file}: its folder cannot be made: {error.strerror}; name another store") from error


def _sqlite_engine(file: Path | None, *, read_only: bool, busy_timeout_s: float) -> Engine:
    def opened() -> sqlite3.Connection:
        if file is None:
            raw = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        elif read_only:
            raw = _opened_for_reading(file, busy_timeout_s)
        else:
            raw = sqlite3.connect(file, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False)
            raw.execute("PRAGMA journal_mode=WAL")
            raw.execute("PRAGMA synchronous=FULL")
        raw.execute("PRAGMA foreign_keys=ON")
        return raw

    # A store in memory is one connection; a file gets more, for reading while a transaction is open.
    engine = create_engine("sqlite://", creator=opened, poolclass=StaticPool if file is None else QueuePool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # The driver would begin late and commit before each CREATE; so it is told not to begin at all.
        is_writing = connection.get_execution_options().get("is_writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writing else "BEGIN")

    return engine


def _opened_for_reading(file: Path, busy_timeout_s: float) -> sqlite3.Connection:
    address = file.absolute().as_uri()
    raw = sqlite3.connect(
        f"{address}?mode=ro", uri=True, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False
    )
    try:
        raw.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.OperationalError as error:
        if "unable to open" not in str(error) and "readonly" not in str(error):
            raise
        raw.close()
        # A WAL file on a medium that cannot be written: nobody else can write there either.
        raw = sqlite3.connect(f"{address}?immutable=1", uri=True, isolation_level=None, check_same_thread=False)
    return raw


def _check_version(engine: Engine, shown: str, *, read_only: bool) -> None:
    scope = engine.connect() if read_only else transaction(engine)
    with scope as connection:
        names = set(inspect(connection).get_table_names())
        if schema.about.name not in names:
            if names & set(schema.metadata.tables) or (names and engine.dialect.name == "sqlite"):
                raise StoreError(f"{shown}: is a database of something else; name another store")
            if read_only:
                raise StoreError(f"{shown}: holds no results; name another store")
            schema.metadata.create_all(connection)
            connection.execute(insert(schema.about), {"schema_version": schema.VERSION, "made_by": "cornerrun"})
            return
        found = connection.execute(select(schema.about.c.schema_version)).scalars().all()
        if found != [schema.VERSION]:
            kind = ", ".join(str(version) for version in found) or "none"
            raise StoreError(
                f"{shown}: its tables are of version {kind}, this program knows {schema.VERSION}; "
                "use the version of cornerrun that wrote it, or name another store"
            )
        if not read_only:
            # Tables that came later: an older store of the same version simply has none of their rows.
            schema.metadata.create_all(connection)
