"""Content of the ledger's entries in one fixed form, and the digests that chain them."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any

import pandas as pd

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import column_or, require_columns
from linemap.outreach.history import since_rounds
from linemap.outreach.schema import LEAD_FOUND, OUTCOMES
from linemap.printing import counted

Row = tuple[Any, ...]

PICK_COLUMNS = (
    "parcel_id",
    "rank",
    "arm",
    "area_id",
    "p_lead",
    "p_return",
    "inclusion_probability",
)

_CONTENT = {
    "opened": (
        "SELECT round_id, opened_on, list_hash, design, settings FROM rounds WHERE round_id = ?",
        "SELECT parcel_id, place, arm, area_id, p_lead, p_return, inclusion_probability "
        "FROM picks WHERE round_id = ? ORDER BY place",
        "SELECT part, name, kits, returned, returned_low, returned_high, found, found_low, "
        "found_high FROM forecasts WHERE round_id = ? ORDER BY part, name",
    ),
    "closed": (
        "SELECT round_id, closed_on FROM closings WHERE round_id = ?",
        "SELECT parcel_id, outcome, lead_found, listed, p_lead, p_return FROM outcomes "
        "WHERE round_id = ? ORDER BY parcel_id",
    ),
}
_CORRECTION = (
    "SELECT round_id, parcel_id, entered_on, outcome, lead_found, reason FROM corrections "
    "WHERE number = ?"
)


def digest(previous: str, content: Any) -> str:
    """Return the SHA-256 of an entry's content after the digest of the entry before it.

    Examples
    --------
    >>> digest("", ["a"]) == digest("", ["a"]) != digest("0", ["a"])
    True
    """
    text = json.dumps([previous, content], separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def plain_rows(frame: pd.DataFrame) -> list[Row]:
    """Return the rows of a table as plain Python values; None where missing."""
    columns = [
        [None if pd.isna(value) else value for value in frame[name].astype(object).tolist()]
        for name in frame.columns
    ]
    return list(zip(*columns, strict=True))


def pick_rows(kits: pd.DataFrame) -> list[Row]:
    """Return the rows of a list as they are frozen."""
    rows = plain_rows(kits[list(PICK_COLUMNS)])
    return [(row[0], int(row[1]), *row[2:]) for row in rows]


def insert(table: str, values: int) -> str:
    """Return the statement that adds a row of so many values to a table."""
    return f"INSERT INTO {table} VALUES ({', '.join('?' * values)})"


def content(db: sqlite3.Connection, kind: str, round_id: str, number: int) -> list[list[Row]]:
    """Read back the content of one entry, as it was hashed when it was made."""
    if kind == "corrected":
        return [db.execute(_CORRECTION, (number,)).fetchall()]
    return [db.execute(query, (round_id,)).fetchall() for query in _CONTENT[kind]]


def add_entry(db: sqlite3.Connection, kind: str, round_id: str, entered_on: str) -> str:
    """Seal what was just written as the next entry of the chain; return its digest."""
    last = db.execute("SELECT number, digest FROM entries ORDER BY number DESC LIMIT 1").fetchone()
    number, previous = last or (0, "")
    sealed = digest(previous, content(db, kind, round_id, number + 1))
    db.execute(insert("entries", 5), (number + 1, kind, round_id, entered_on, sealed))
    return sealed


def faults(db: sqlite3.Connection) -> list[str]:
    """Return a sentence for each entry whose content no longer matches its digest."""
    found, previous = [], ""
    rows = db.execute("SELECT number, kind, round_id, digest FROM entries ORDER BY number")
    for place, (number, kind, round_id, sealed) in enumerate(rows.fetchall(), start=1):
        if number != place or digest(previous, content(db, kind, round_id, number)) != sealed:
            found.append(f"Entry {number} ({round_id}, {kind}) was changed after it was made.")
        previous = sealed
    for table, kind in (("rounds", "opened"), ("closings", "closed"), ("corrections", "corrected")):
        rows_there = db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        sealed_rows = db.execute("SELECT count(*) FROM entries WHERE kind = ?", (kind,)).fetchone()
        if rows_there != sealed_rows[0]:
            found.append(f"Table {table} has {rows_there} rows for {sealed_rows[0]} entries.")
    return found


def refuse_recent(
    db: sqlite3.Connection, parcel_ids: pd.Series, today: date, quiet_days: int
) -> None:
    """Refuse homes that had a kit of a round of the ledger within the quiet days.

    Homes that came back without having been on the list had one as well.

    Raises
    ------
    ArgumentError
        Naming the rounds and the first homes.
    """
    since = (today - timedelta(days=quiet_days)).isoformat()
    sent = pd.DataFrame(
        db.execute(
            "SELECT parcel_id, round_id, opened_on, number, place FROM picks "
            "JOIN rounds USING (round_id) WHERE opened_on > ?1 UNION ALL "
            "SELECT parcel_id, round_id, opened_on, number, 1000000000 FROM outcomes "
            "JOIN rounds USING (round_id) WHERE listed = 0 AND opened_on > ?1 "
            "ORDER BY number, place, parcel_id",
            (since,),
        ).fetchall(),
        columns=["parcel_id", "round_id", "opened_on", "number", "place"],
    )
    again = sent[sent["parcel_id"].isin(parcel_ids)]
    if len(again):
        rounds = again[["round_id", "opened_on"]].drop_duplicates().itertuples(index=False)
        homes = again["parcel_id"].drop_duplicates()
        raise ArgumentError(
            f"{counted(len(homes), 'home')} of this list, {', '.join(homes[:5])} first, had a kit "
            f"within the {quiet_days} quiet days, by "
            f"{', '.join(f'{name!r} of {day}' for name, day in rounds)}. Choose a new list with "
            "`linemap prioritize`, which leaves out the homes of every round in the ledger, or "
            "lower quiet_days."
        )


def refuse_refusals(log: pd.DataFrame, parcel_ids: pd.Series, asked_on: pd.Series | None) -> None:
    """Refuse homes that refused the last kit that is accounted for and have not asked since.

    Parameters
    ----------
    log : DataFrame
        Kits of rounds, by the ``rounds`` contract.
    parcel_ids : Series
        Homes of the list.
    asked_on : Series, optional
        Day of each home's last request, by parcel_id.

    Raises
    ------
    ArgumentError
        With the number of such homes and the first of them.
    """
    homes = pd.DataFrame({"last_kit_on": pd.NaT, "asked_on": pd.NaT}, index=pd.Index(parcel_ids))
    if asked_on is not None:
        homes["asked_on"] = asked_on.reindex(homes.index)
    said_no = homes.index[since_rounds(homes, log)["refused"]].tolist()
    if said_no:
        raise ArgumentError(
            f"{counted(len(said_no), 'home')} of this list, {', '.join(said_no[:5])} first, "
            "refused the last kit by the ledger and asked for none since. Choose a new list with "
            "`linemap prioritize`, which leaves them out."
        )


def refuse_strangers(db: sqlite3.Connection, returns: pd.DataFrame) -> None:
    """Refuse returns of which more than half are homes of no list of the ledger.

    Raises
    ------
    ArgumentError
        With both numbers.
    """
    listed = {row[0] for row in db.execute("SELECT DISTINCT parcel_id FROM picks")}
    other = returns.index[~returns.index.isin(listed)]
    if 2 * len(other) > len(returns):
        raise ArgumentError(
            f"the round stays open: {len(other):,} of {counted(len(returns), 'row')} of the "
            f"returns are homes of no list, {', '.join(other[:5])} first. Check that the file and "
            "the column of ids are the right ones. If they are, enter the other homes of the list "
            "too, as silent where nothing came back."
        )


def known_round(round_id: str, every: Iterable[str]) -> str:
    """Return the name of a round that is there.

    Raises
    ------
    ArgumentError
        If there is no such round, with the names of those that there are.
    """
    names = list(every)
    if round_id not in names:
        raise ArgumentError(
            f"there is no round {round_id!r}. Rounds: {', '.join(names) or 'none'}."
        )
    return round_id


def rounds_there(db: sqlite3.Connection) -> tuple[list[str], set[str]]:
    """Return the names of all rounds in order of opening, and of those that are closed."""
    every = [row[0] for row in db.execute("SELECT round_id FROM rounds ORDER BY number")]
    return every, {row[0] for row in db.execute("SELECT round_id FROM closings")}


def checked_returns(returns: pd.DataFrame, called: str = "the table of returns") -> pd.DataFrame:
    """Return what came back in the ledger's words, indexed by parcel_id.

    Raises
    ------
    ArgumentError
        If a column is missing, a word is unknown or a home stands twice.
    """
    require_columns(returns, ("parcel_id", "outcome"), called)
    out = pd.DataFrame({"outcome": returns["outcome"].astype(str).str.strip()})
    found = column_or(returns, "lead_found", None).astype(object)
    found = found.map(lambda value: {True: "yes", False: "no"}.get(value, value))
    out["lead_found"] = found.where(found.notna(), "unknown").astype(str).str.strip()
    for name in ("p_lead", "p_return"):
        out[name] = pd.to_numeric(column_or(returns, name, None), errors="coerce")
    out.index = pd.Index(returns["parcel_id"].astype(str), name="parcel_id")
    faults = []
    for name, words in (("outcome", OUTCOMES), ("lead_found", LEAD_FOUND)):
        wrong = sorted(set(out[name]) - set(words))
        if wrong:
            faults.append(f"{name} has {', '.join(wrong)}; use {', '.join(words)}")
    twice = out.index[out.index.duplicated()]
    if len(twice):
        faults.append(f"home(s) {', '.join(twice[:5])} stand twice; keep one row per home")
    if faults:
        raise ArgumentError(f"{called}: {'; '.join(faults)}.")
    return out


def outcome_rows(listed: list[str], returns: pd.DataFrame) -> list[Row]:
    """Return one row for every home of the list and every other home that came back."""
    other = returns.index[~returns.index.isin(listed)]
    every = returns.reindex([*listed, *other])
    every["listed"] = [1] * len(listed) + [0] * len(other)
    every["outcome"] = every["outcome"].fillna("silent")
    every["lead_found"] = every["lead_found"].fillna("unknown")
    for name in ("p_lead", "p_return"):
        every[name] = every[name].where(every["listed"] == 0)
    names = ["parcel_id", "outcome", "lead_found", "listed", "p_lead", "p_return"]
    return plain_rows(every.rename_axis("parcel_id").sort_index().reset_index()[names])
