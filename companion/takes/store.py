"""The database of takes: one SQLite file in the user's data folder. What they mean is elsewhere.

In WAL mode with `synchronous=FULL` a commit is on the disk when it returns, and neither a kill nor
a power cut harms what was committed before. A file of an older version is upgraded on a copy, which
takes its place in one step; the file as it was stays beside it. One of a newer version, one that is
not ours and one that is damaged are left alone, and said so.

Who records a take holds a lock of the system's own on `take-N.lock`: a take that has not ended and
that nobody holds was killed.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
from filelock import BaseFileLock, FileLock, Timeout
from platformdirs import user_data_dir

from companion.takes.story import Event

OVERRIDE = "COMPANION_DATA_DIR"
NAME = "takes.db"
VERSION = 1
# "take" in four bytes: whose file it is (https://www.sqlite.org/fileformat.html, application id).
APPLICATION = 0x74616B65
# What is put aside for the last word of a take on a disk that is full, in bytes.
RESERVE = 1 << 16
# How long to wait for another process that is just writing.
BUSY_S = 5.0

# The tables. An upgrade makes them anew and copies what the older file has of them; so a column is
# only ever added, with a default.
SCHEMA = """
CREATE TABLE takes (
  take INTEGER PRIMARY KEY AUTOINCREMENT,
  kind TEXT NOT NULL DEFAULT 'engine',
  set_name TEXT NOT NULL DEFAULT '',
  file TEXT NOT NULL DEFAULT '',
  began TEXT NOT NULL DEFAULT '',
  seconds REAL NOT NULL DEFAULT 0,
  clocks INTEGER NOT NULL DEFAULT 0,
  parts TEXT NOT NULL DEFAULT '[]',
  ended TEXT,
  note TEXT NOT NULL DEFAULT '',
  instruments TEXT NOT NULL DEFAULT '[]',
  source TEXT NOT NULL DEFAULT ''
);
CREATE TABLE events (
  take INTEGER NOT NULL,
  number INTEGER NOT NULL,
  at_ns INTEGER NOT NULL,
  clock INTEGER NOT NULL,
  part INTEGER NOT NULL,
  tick INTEGER NOT NULL,
  kind TEXT NOT NULL,
  body BLOB NOT NULL,
  PRIMARY KEY (take, number)
) WITHOUT ROWID;
CREATE TABLE arrivals (
  take INTEGER NOT NULL,
  number INTEGER NOT NULL,
  body BLOB NOT NULL,
  PRIMARY KEY (take, number)
) WITHOUT ROWID;
CREATE TABLE sources (digest TEXT PRIMARY KEY, text BLOB NOT NULL) WITHOUT ROWID;
"""
_TABLES = ("takes", "events", "arrivals", "sources")


class TakesError(Exception):
    """The takes cannot be used so; the message says to the user why, and what to do."""


class NoTake(TakesError):
    """A take that is not there."""


class DiskFull(TakesError):
    """The disk takes no more."""


def data_folder() -> Path:
    """Where takes are kept; COMPANION_DATA_DIR overrides the system's place for a user's data."""
    override = os.environ.get(OVERRIDE)
    return Path(override or user_data_dir("companion", appauthor=False)).absolute()


@dataclass(frozen=True, slots=True)
class Take:
    """One take as it is listed.

    `began` is ISO 8601 with the offset from UTC, `clocks` how many ticks the instrument played,
    `parts` the numbers of those played. `ended` is `running`, `stopped`, `killed` or `full`.
    `instruments` are (name, glob on the port or None, channel 0-15), `source` names the text of
    the set list as it was then, "" if there is none.
    """

    take: int
    kind: str
    set_name: str
    file: str
    began: str
    seconds: float
    clocks: int
    parts: tuple[int, ...]
    ended: str
    note: str
    instruments: tuple[tuple[str, str | None, int], ...]
    source: str


@dataclass(frozen=True, slots=True)
class Beginning:
    """What is known of a take when it begins; see `Take`. `text` is that of the set list."""

    kind: str
    set_name: str
    file: str
    began: str
    instruments: tuple[tuple[str, str | None, int], ...]
    text: bytes = b""


# What arrived: when (ns from the beginning of the take), on which port, what, and the count of the
# clock that was shown then, -1 while nothing played.
Arrived = tuple[int, str, bytes, int]

_ENCODE, _PACK = msgspec.json.Encoder().encode, msgspec.msgpack.Encoder().encode
_DECODE = msgspec.json.Decoder(dict[str, Any]).decode
_UNPACK = msgspec.msgpack.Decoder(tuple[list[str], list[tuple[int, int, bytes, int]]]).decode


class Store:
    """The takes in one folder. For one thread. Every method raises TakesError."""

    def __init__(self, folder: Path | None = None, *, make: bool = False) -> None:
        """Open what is there, upgraded if need be; `make` makes it where nothing is.

        Without `make` and without a file there are simply no takes.
        """
        self.folder = folder or data_folder()
        self.path = self.folder / NAME
        self._db: sqlite3.Connection | None = None
        with self._in_words():
            if make:
                self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                # Nobody else's business, whatever the umask says.
                os.close(os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600))
            if make or self.path.exists():
                self._db = self._opened()

    def close(self) -> None:
        """Let go of the file."""
        if self._db is not None:
            self._db.close()
            self._db = None

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- reading -----------------------------------------------------------------------------

    def takes(self) -> list[Take]:
        """All of them, newest first."""
        rows = self._rows(f"SELECT {', '.join(_COLUMNS)} FROM takes ORDER BY take DESC")
        return [self._take(row) for row in rows]

    def take(self, number: int | None = None) -> Take:
        """The take of that number, None for the last. Raises NoTake."""
        which = "take = ?" if number is not None else "1 ORDER BY take DESC LIMIT 1"
        words = (number,) if number is not None else ()
        rows = self._rows(f"SELECT {', '.join(_COLUMNS)} FROM takes WHERE {which}", words)
        for row in rows:
            return self._take(row)
        if number is None:
            raise NoTake("there are no takes yet: companion play or rehearse makes one")
        last = self._rows("SELECT max(take) FROM takes")
        there = "there are none yet" if not last or last[0][0] is None else "see: companion takes"
        raise NoTake(f"there is no take {number}; {there}")

    def events(self, take: int, kinds: Sequence[str] = ()) -> list[Event]:
        """The events of a take in the order of time, of those kinds only if any are named."""
        words: list[Any] = [take, *kinds]
        only = f"AND kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
        rows = self._rows(
            "SELECT number, at_ns, clock, part, tick, kind, body FROM events "
            f"WHERE take = ? {only} ORDER BY at_ns, number",
            words,
        )
        with self._in_words():
            return [
                Event(number, at_ns, clock, part, tick, kind, _DECODE(body))
                for number, at_ns, clock, part, tick, kind, body in rows
            ]

    def arrivals(self, take: int) -> Iterator[list[Arrived]]:
        """All that arrived in a take, half a second at a time."""
        words = "SELECT number, body FROM arrivals WHERE take = ? AND number > ? ORDER BY number"
        number = -1
        while rows := self._rows(f"{words} LIMIT 256", (take, number)):
            number = rows[-1][0]
            for _, body in rows:
                with self._in_words():
                    ports, kept = _UNPACK(body)
                yield [(at, ports[port], message, count) for at, port, message, count in kept]

    def chunks(self, take: int) -> int:
        """How many lists `arrivals` gives."""
        return int(self._rows("SELECT count(*) FROM arrivals WHERE take = ?", (take,))[0][0])

    def source(self, digest: str) -> bytes | None:
        """The text of a set list as it was, None if it was not kept."""
        rows = self._rows("SELECT text FROM sources WHERE digest = ?", (digest,))
        with self._in_words():
            return zlib.decompress(rows[0][0]) if rows else None

    @property
    def size(self) -> int:
        """How much room the takes need, in bytes."""
        sizes = 0
        for name in (NAME, f"{NAME}-wal"):
            with contextlib.suppress(OSError):
                sizes += (self.folder / name).stat().st_size
        return sizes

    # -- what a person may change ------------------------------------------------------------

    def note(self, take: int, text: str) -> None:
        """Write a note to a take, in place of the one before. Raises NoTake."""
        self.take(take)
        self._write([("UPDATE takes SET note = ? WHERE take = ?", [(text, take)])])

    def delete(self, takes: Sequence[int]) -> None:
        """Take takes away for good. Raises NoTake, before any is gone, or for one that runs."""
        for number in takes:
            if self.take(number).ended == "running":
                raise TakesError(f"take {number} is being recorded; end it first: companion stop")
        words = [(number,) for number in takes]
        self._write(
            [(f"DELETE FROM {name} WHERE take = ?", words) for name in _TABLES[:3]]
            + [("DELETE FROM sources WHERE digest NOT IN (SELECT source FROM takes)", [()])]
        )
        with self._in_words():
            assert self._db is not None
            # Stepped to its end, where `execute` would stop after a page.
            self._db.executescript("PRAGMA incremental_vacuum")
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    # -- recording ---------------------------------------------------------------------------

    def begin(self, beginning: Beginning) -> tuple[int, BaseFileLock]:
        """Begin a take: its number, and the lock that says that it runs."""
        for each in self.takes():
            if each.ended == "killed":
                self._close_killed(each.take)
        with self._in_words(), self._transaction() as db:
            digest = self._keep_source(db, beginning.text)
            number = db.execute(
                "INSERT INTO takes (kind, set_name, file, began, instruments, source) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (
                    beginning.kind,
                    beginning.set_name,
                    beginning.file,
                    beginning.began,
                    _ENCODE(beginning.instruments).decode(),
                    digest,
                ),
            ).lastrowid
            assert number is not None
            # Held before anybody can see the take.
            lock = FileLock(self._lock_of(number))
            lock.acquire(blocking=False)
        with contextlib.suppress(OSError):
            self._reserve_of(number).write_bytes(os.urandom(RESERVE))
        return number, lock

    def write(
        self,
        take: int,
        number: int,
        events: Iterable[Event],
        arrivals: Sequence[Arrived],
        seconds: float,
        clocks: int,
        parts: Sequence[int],
    ) -> None:
        """Write what came in one go, the `number`th; on the disk when it returns.

        Raises DiskFull.
        """
        kept = [
            (take, e.number, e.at_ns, e.clock, e.part, e.tick, e.kind, _ENCODE(e.body))
            for e in events
        ]
        put = [row for row in kept if row[6]]
        gone = [row[:2] for row in kept if not row[6]]
        statements: list[tuple[str, Sequence[Sequence[Any]]]] = [
            ("INSERT OR REPLACE INTO events VALUES (?, ?, ?, ?, ?, ?, ?, ?)", put),
            ("DELETE FROM events WHERE take = ? AND number = ?", gone),
        ]
        if arrivals:
            ports = list(dict.fromkeys(port for _, port, _, _ in arrivals))
            at = {port: index for index, port in enumerate(ports)}
            rows = [(t, at[port], message, count) for t, port, message, count in arrivals]
            body = _PACK((ports, rows))
            statements.append(("INSERT INTO arrivals VALUES (?, ?, ?)", [(take, number, body)]))
        said = (round(seconds, 3), clocks, _ENCODE(list(parts)).decode(), take)
        words = "UPDATE takes SET seconds = ?, clocks = ?, parts = ? WHERE take = ?"
        self._write([*statements, (words, [said])])

    def end(self, take: int, ended: str) -> None:
        """Write how a take ended."""
        self._write([("UPDATE takes SET ended = ? WHERE take = ?", [(ended, take)])])

    def give_up(self, take: int) -> None:
        """Write that the disk took no more of a take, into the room that was put aside for it."""
        with contextlib.suppress(OSError):
            self._reserve_of(take).unlink()
        with contextlib.suppress(TakesError), self._in_words():
            assert self._db is not None
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self.end(take, "full")

    def let_go(self, take: int, lock: BaseFileLock) -> None:
        """Nobody records the take any more."""
        lock.release()
        for path in (self._lock_of(take), self._reserve_of(take)):
            with contextlib.suppress(OSError):
                path.unlink()

    def changed_source(self, take: int, text: bytes) -> None:
        """Another version of the set list is played from here on."""
        with self._in_words(), self._transaction() as db:
            digest = self._keep_source(db, text)
            db.execute("UPDATE takes SET source = ? WHERE take = ?", (digest, take))

    # -- inside ------------------------------------------------------------------------------

    def _opened(self) -> sqlite3.Connection:
        db = self._connected(self.path)
        try:
            version = self._version(db)
            if version == 0 and not _tables(db):
                with self._making(db):
                    pass
            elif version > VERSION:
                raise TakesError(
                    f"{self.path} was written by a newer version of companion ({version}; this "
                    f"one knows up to {VERSION}): use that one, or another COMPANION_DATA_DIR"
                )
            elif version < VERSION:
                db.close()
                self._upgrade(version)
                db = self._connected(self.path)
        except BaseException:
            db.close()
            raise
        db.execute("PRAGMA journal_mode = WAL").fetchall()
        db.execute("PRAGMA synchronous = FULL")
        return db

    def _connected(self, path: Path) -> sqlite3.Connection:
        return sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)

    def _version(self, db: sqlite3.Connection) -> int:
        """The version of the file. Raises TakesError for one that is not ours."""
        found = int(db.execute("PRAGMA application_id").fetchone()[0])
        if found != APPLICATION and _tables(db):
            raise TakesError(
                f"{self.path} is a database, but not one of companion's; it is left as it is: "
                "move it away, or set COMPANION_DATA_DIR to another folder"
            )
        return int(db.execute("PRAGMA user_version").fetchone()[0])

    @contextlib.contextmanager
    def _making(self, db: sqlite3.Connection) -> Iterator[None]:
        """Make the tables of this version; what the caller does in between goes in with them."""
        db.execute("PRAGMA auto_vacuum = INCREMENTAL")
        db.execute("PRAGMA journal_mode = WAL").fetchall()
        db.execute("PRAGMA synchronous = FULL")
        db.execute("BEGIN IMMEDIATE")
        try:
            # Another process may have been quicker.
            if not _tables(db):
                for statement in filter(str.strip, SCHEMA.split(";")):
                    db.execute(statement)
                db.execute(f"PRAGMA application_id = {APPLICATION}")
                db.execute(f"PRAGMA user_version = {VERSION}")
                yield
            else:
                yield
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise

    def _upgrade(self, version: int) -> None:
        """Put a copy of this version in place of the file, which stays beside it."""
        with self._alone():
            fresh, kept = (
                self.path.with_name(f"{NAME}.{word}") for word in ("new", f"version-{version}")
            )
            for end in ("", "-wal", "-shm"):
                Path(f"{fresh}{end}").unlink(missing_ok=True)
            os.close(os.open(fresh, os.O_RDWR | os.O_CREAT, 0o600))
            db = self._connected(fresh)
            try:
                db.execute("ATTACH ? AS old", (os.fspath(self.path),))
                with self._making(db):
                    for name in _TABLES:
                        self._copy(db, name)
                # Both are whole in their one file after this.
                for each in ("main", "old"):
                    db.execute(f"PRAGMA {each}.wal_checkpoint(TRUNCATE)").fetchall()
                db.execute("DETACH old")
            finally:
                db.close()
            kept.unlink(missing_ok=True)
            try:
                os.link(self.path, kept)
            except OSError:
                shutil.copy2(self.path, kept)
            os.replace(fresh, self.path)

    def _copy(self, db: sqlite3.Connection, name: str) -> None:
        old = [row[1] for row in db.execute(f"PRAGMA old.table_info({name})")]
        new = [row[1] for row in db.execute(f"PRAGMA main.table_info({name})")]
        both = ", ".join(column for column in new if column in old)
        if both:
            db.execute(f"INSERT INTO main.{name} ({both}) SELECT {both} FROM old.{name}")

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        """While nobody records. Raises TakesError if somebody does."""
        with contextlib.ExitStack() as stack:
            try:
                for path in [self.folder / "takes.lock", *self.folder.glob("take-*.lock")]:
                    stack.enter_context(FileLock(path).acquire(blocking=False))
            except Timeout:
                raise TakesError(
                    f"{self.path} is of another version and is just being written: end the "
                    "engine that does so first"
                ) from None
            yield

    def _take(self, row: Sequence[Any]) -> Take:
        with self._in_words():
            said = dict(zip(_COLUMNS, row, strict=True))
            instruments = msgspec.json.decode(
                said["instruments"], type=tuple[tuple[str, str | None, int], ...]
            )
            parts = msgspec.json.decode(said["parts"], type=tuple[int, ...])
            ended = said["ended"] or ("running" if self._runs(said["take"]) else "killed")
            return Take(**said | {"instruments": instruments, "parts": parts, "ended": ended})

    def _runs(self, take: int) -> bool:
        """Whether somebody records the take now."""
        path = self._lock_of(take)
        if not path.exists():
            return False
        lock = FileLock(path)
        try:
            lock.acquire(blocking=False)
        except (Timeout, OSError):
            return True
        lock.release()
        return False

    def _lock_of(self, take: int) -> Path:
        return self.folder / f"take-{take}.lock"

    def _reserve_of(self, take: int) -> Path:
        return self.folder / f"take-{take}.reserve"

    def _close_killed(self, take: int) -> None:
        self.end(take, "killed")
        for path in (self._lock_of(take), self._reserve_of(take)):
            with contextlib.suppress(OSError):
                path.unlink()

    def _keep_source(self, db: sqlite3.Connection, text: bytes) -> str:
        if not text:
            return ""
        digest = hashlib.sha256(text).hexdigest()
        packed = zlib.compress(text)
        db.execute("INSERT OR IGNORE INTO sources VALUES (?, ?)", (digest, packed))
        return digest

    def _rows(self, words: str, values: Sequence[Any] = ()) -> list[Any]:
        if self._db is None:
            return []
        with self._in_words():
            return self._db.execute(words, values).fetchall()

    def _write(self, statements: Iterable[tuple[str, Sequence[Sequence[Any]]]]) -> None:
        with self._in_words(), self._transaction() as db:
            for words, rows in statements:
                if rows:
                    db.executemany(words, rows)

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        db = self._db
        if db is None:
            raise NoTake("there are no takes yet")
        db.execute("BEGIN IMMEDIATE")
        try:
            yield db
            db.execute("COMMIT")
        except BaseException:
            with contextlib.suppress(sqlite3.Error):
                if db.in_transaction:
                    db.execute("ROLLBACK")
            raise

    @contextlib.contextmanager
    def _in_words(self) -> Iterator[None]:
        """Turn what SQLite and the system complain of into TakesError."""
        try:
            yield
        except sqlite3.Error as error:
            raise self._worded(error) from error
        except (msgspec.MsgspecError, zlib.error, IndexError) as error:
            raise TakesError(self._damaged(str(error))) from error
        except OSError as error:
            why = (error.strerror or str(error)).lower()
            raise TakesError(f"cannot use {self.folder} for takes: {why}") from error

    def _worded(self, error: sqlite3.Error) -> TakesError:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
            full = code == sqlite3.SQLITE_FULL or self._has_no_room
            why = "the disk is full" if full else f"the disk fails ({error})"
            return DiskFull(f"{why}: {self.folder}")
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return TakesError(f"{self.path} is being written by another program: try again")
        if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return TakesError(f"cannot use {self.path}: {error}")
        return TakesError(self._damaged(str(error)))

    @property
    def _has_no_room(self) -> bool:
        """Whether there is none for the index of a WAL; SQLite takes that for a broken disk."""
        with contextlib.suppress(OSError):
            return shutil.disk_usage(self.folder).free < RESERVE
        return False

    def _damaged(self, why: str) -> str:
        return (
            f"{self.path} is damaged or no database of takes ({why}); it is left as it is: "
            "move it away to begin anew"
        )


_COLUMNS = tuple(field for field in Take.__dataclass_fields__)


def _tables(db: sqlite3.Connection) -> int:
    return int(db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
