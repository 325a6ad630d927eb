"""The file of a ledger: made whole, read as it was, written one whole entry at a time."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pandas as pd

from linemap.errors import ArgumentError, RunFolderError
from linemap.outreach.schema import APPLICATION_ID, statements

_WAIT_S = 30.0

_REMEDIES = {
    sqlite3.SQLITE_FULL: "The disk is full: free some space, then enter it again.",
    sqlite3.SQLITE_BUSY: "Another program is writing into it: wait for it, then enter it again.",
    sqlite3.SQLITE_CANTOPEN: "Check that its folder is there and that you may write to it.",
    sqlite3.SQLITE_READONLY: "Ask for the right to write to it.",
    sqlite3.SQLITE_CORRUPT: "Put back the last good copy of the file.",
    sqlite3.SQLITE_NOTADB: "Name the ledger itself, or put back the last good copy of the file.",
}
"""What to do about what SQLite reports, by its result codes."""


class LedgerFile:
    """An SQLite file that is only ever added to; see :class:`linemap.outreach.Ledger`."""

    def __init__(self, path: str | Path, *, entries: int | None = None) -> None:
        self.path, self.entries = Path(path), entries
        if not os.path.lexists(self.path):
            self._make()
        elif self.path.is_file() and not self.path.stat().st_size:
            raise RunFolderError(
                f"the ledger {self.path} is empty, which a ledger never is, even before its first "
                "round. Put back the last good copy; if no round was ever opened, remove the file."
            )
        self._refuse_strangers()

    def _make(self) -> None:
        """Write empty tables beside the place and link them in, so that nobody meets half a file.

        Whoever comes second finds the file of the first.
        """
        try:
            handle, beside = tempfile.mkstemp(prefix=f".{self.path.name}.", dir=self.path.parent)
            os.close(handle)
            try:
                with self._sqlite(), closing(sqlite3.connect(beside, isolation_level=None)) as db:
                    db.execute("BEGIN")
                    for statement in statements():
                        db.execute(statement)
                    db.execute("COMMIT")
                os.link(beside, self.path)
            except FileExistsError:
                return
            finally:
                Path(beside).unlink()
        except OSError as error:
            raise RunFolderError(
                f"the ledger {self.path} cannot be made: {error.strerror}. Check that its folder "
                "is there and that you may write to it, or name a ledger on another disk."
            ) from error

    def _refuse_strangers(self) -> None:
        with self._sqlite(), closing(self._connect()) as db:
            mark = db.execute("PRAGMA application_id").fetchone()[0]
            tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if mark != APPLICATION_ID or not tables:
            raise RunFolderError(f"{self.path} is an SQLite file, but not a ledger of rounds.")

    def _connect(self) -> sqlite3.Connection:
        db = sqlite3.connect(self.path, timeout=_WAIT_S, isolation_level=None)
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA synchronous = FULL")
        return db

    @contextmanager
    def _sqlite(self) -> Iterator[None]:
        """Say in one sentence what SQLite met, and what to do about it."""
        try:
            yield
        except sqlite3.Error as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            remedy = _REMEDIES.get(code, "Nothing was entered.")
            raise RunFolderError(f"the ledger {self.path}: {error}. {remedy}") from error

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._sqlite(), closing(self._connect()) as db:
            db.execute("BEGIN")
            if self.entries is not None:
                _look_back(db, self.entries)
            yield db
            db.execute("ROLLBACK")

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Hold the only right to write until the entry is whole; undo it if anything fails."""
        if self.entries is not None:
            raise ArgumentError("a ledger read as it was cannot be written. Leave entries out.")
        with self._sqlite(), closing(self._connect()) as db:
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:  # on a full disk SQLite has undone it already
                    db.execute("ROLLBACK")
                raise

    def _read(self, query: str, values: tuple[str, ...] = ()) -> pd.DataFrame:
        with self._reading() as db:
            cursor = db.execute(query, values)
            names = [column[0] for column in cursor.description]
            return pd.DataFrame(cursor.fetchall(), columns=names)


def _look_back(db: sqlite3.Connection, entries: int) -> None:
    """Put views with the first entries before the tables of the same name."""
    upto = f"number <= {int(entries)}"
    for table in ("entries", "corrections"):
        db.execute(f"CREATE TEMP VIEW {table} AS SELECT * FROM main.{table} WHERE {upto}")
    for table, kind in (("rounds", "opened"), ("closings", "closed"), ("outcomes", "closed")):
        db.execute(
            f"CREATE TEMP VIEW {table} AS SELECT * FROM main.{table} WHERE round_id IN "
            f"(SELECT round_id FROM main.entries WHERE kind = '{kind}' AND {upto})"
        )
