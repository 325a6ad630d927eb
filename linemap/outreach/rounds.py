"""The ledger of rounds: one SQLite file that is only ever added to.

Opening a round freezes its list and forecast with a hash before any result is known; closing
it counts every kit. Each entry is one transaction, so a crash leaves the whole entry or none,
and two writers wait for each other. Digests are chained: changing any earlier entry by force
shows in :meth:`Ledger.verify`.
"""

from __future__ import annotations

import json
import sqlite3
from datetime import date
from typing import Any

import pandas as pd

from linemap.errors import ArgumentError
from linemap.outreach import entries
from linemap.outreach.eligibility import column_or
from linemap.outreach.ledger_file import LedgerFile
from linemap.outreach.plan import KitPlan
from linemap.outreach.report import report_round, with_unnamed
from linemap.printing import counted


class Ledger(LedgerFile):
    """Ledger of rounds in one SQLite file; made on first use.

    Parameters
    ----------
    path : str or Path
        File of the ledger. Its folder must exist.
    entries : int, optional
        Read only the first so many entries, as an earlier run did; such a ledger is not written.

    Raises
    ------
    RunFolderError
        If the file cannot be opened or written, is in use for over 30 seconds, is empty or
        damaged, or is something else than a ledger.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> ledger = Ledger(pathlib.Path(tempfile.mkdtemp()) / "rounds.sqlite")
    >>> len(ledger.rounds())
    0
    """

    # ---- writing -------------------------------------------------------------------------

    def open_round(
        self,
        plan: KitPlan,
        forecast: pd.DataFrame,
        *,
        today: date,
        name: str | None = None,
        asked_on: pd.Series | None = None,
    ) -> dict[str, Any]:
        """Freeze a list with its forecast.

        Parameters
        ----------
        plan : KitPlan
        forecast : DataFrame
            From :func:`forecast_round`, of this plan's list.
        today : date
        name : str, optional
            Name of the round; ``round 1``, ``round 2`` ... when left out.
        asked_on : Series, optional
            Day on which each home last asked for a kit, by parcel_id: a refusal from before it
            no longer counts.

        Returns
        -------
        dict
            ``round_id, opened_on, kits, digest, forecast, sentences``.

        Raises
        ------
        ArgumentError
            If the list is empty or frozen already, the name is blank or taken, the last round
            was opened later, or homes of the list had a kit of another round within the quiet
            days of the list's limits or refused it.
        """
        picks = entries.pick_rows(plan.kits)
        if not picks:
            raise ArgumentError("there is no kit on the list, so there is no round to open.")
        if name is not None and not name.strip():
            raise ArgumentError("the name of a round cannot be blank. Leave it out, or give one.")
        promise = entries.plain_rows(forecast)
        list_hash = entries.digest("", [picks, plan.made_on.isoformat(), plan.seed])
        design = json.dumps(plan.design.describe())
        settings = plan.limits.model_dump_json()
        with self._writing() as db:
            known = db.execute("SELECT list_hash, round_id FROM rounds ORDER BY number").fetchall()
            if list_hash in dict(known):
                raise ArgumentError(
                    f"this very list is frozen already as {dict(known)[list_hash]!r}. Close that "
                    "round, or choose a new list first."
                )
            last = db.execute("SELECT max(opened_on) FROM rounds").fetchone()[0]
            if last is not None and today.isoformat() < last:
                raise ArgumentError(
                    f"{today} is before {last}, the day on which the last round was opened. "
                    "Give the day with --on."
                )
            round_id = name or f"round {len(known) + 1}"
            if round_id in dict(known).values():
                raise ArgumentError(f"there is a round {round_id!r} already. Choose another name.")
            entries.refuse_refusals(self.log(), plan.kits["parcel_id"], asked_on)
            entries.refuse_recent(db, plan.kits["parcel_id"], today, plan.limits.quiet_days)
            db.executemany(entries.insert("picks", 8), [(round_id, *row) for row in picks])
            db.executemany(entries.insert("forecasts", 10), [(round_id, *row) for row in promise])
            db.execute(
                entries.insert("rounds", 6),
                (len(known) + 1, round_id, today.isoformat(), list_hash, design, settings),
            )
            entries.add_entry(db, "opened", round_id, today.isoformat())
        return self.round_report(round_id)

    def close_round(
        self, returns: pd.DataFrame, *, today: date, name: str | None = None
    ) -> dict[str, Any]:
        """Count every kit of a round and hold its forecast against what came back.

        Parameters
        ----------
        returns : DataFrame
            ``parcel_id`` and ``outcome`` (``usable, not_usable, refused, undeliverable,
            silent``), ``lead_found`` (``yes, no, unknown``; unknown when left out). Homes of
            the list that are not in it count as silent, which is said where they are most of
            the list. Homes that are not on the list are kept as such; give their ``p_lead`` and
            ``p_return`` if known.
        today : date
        name : str, optional
            Round to close; the only open one when left out.

        Returns
        -------
        dict
            As :meth:`round_report`, and ``unnamed``, the homes of the list that were not in the
            returns.

        Raises
        ------
        ArgumentError
            If the returns have unknown words, a home twice, no home of the list, or more homes of
            no list than of lists, the round is
            not there, is closed already or was opened later, or several are open and none is
            named.
        """
        given = entries.checked_returns(returns)
        with self._writing() as db:
            round_id = self._round_to_close(db, name)
            listed = [
                row[0]
                for row in db.execute(
                    "SELECT parcel_id FROM picks WHERE round_id = ? ORDER BY place", (round_id,)
                )
            ]
            if not given.index.isin(listed).any():
                raise ArgumentError(
                    "the round stays open: no home in the returns is on this round's list; is it "
                    "the right file? If nothing came back at all, enter one home of "
                    f"{round_id!r} as silent."
                )
            entries.refuse_strangers(db, given)
            self._refuse_earlier(db, "rounds", "opened_on", round_id, today)
            rows = entries.outcome_rows(listed, given)
            db.executemany(entries.insert("outcomes", 7), [(round_id, *row) for row in rows])
            db.execute(entries.insert("closings", 2), (round_id, today.isoformat()))
            entries.add_entry(db, "closed", round_id, today.isoformat())
        unnamed = len(set(listed) - set(given.index))
        return with_unnamed(self.round_report(round_id), unnamed)

    def correct(self, round_id: str, changes: pd.DataFrame, *, reason: str, today: date) -> None:
        """Enter corrections of outcomes of a closed round, all or none; the first entries stay.

        Parameters
        ----------
        round_id : str
        changes : DataFrame
            What truly came of each kit: ``parcel_id, outcome`` and ``lead_found``, as for
            :meth:`close_round`; where that is blank or left out, what was entered last stands.
            Each row becomes an entry of its own.
        reason : str
            Why the first entries were wrong, or what was learned since.
        today : date
            Day of the entries.

        Raises
        ------
        ArgumentError
            If there is no row, a word is unknown, a home stands twice or had no kit in this
            round, no reason is given, or the round is not closed or was closed later.
        """
        given = entries.checked_returns(changes, "what is to be corrected")
        if given.empty:
            raise ArgumentError("there is no row to correct; nothing is entered.")
        if not reason.strip():
            raise ArgumentError("a correction needs a reason.")
        unsaid = column_or(changes, "lead_found", None).isna().to_numpy()
        with self._writing() as db:
            every, closed = entries.rounds_there(db)
            if entries.known_round(round_id, every) not in closed:
                raise ArgumentError(
                    f"round {round_id!r} is not closed yet. Close it with the returns."
                )
            now = self.log().query("round_id == @round_id").set_index("parcel_id")["lead_found"]
            missing = given.index[~given.index.isin(now.index)]
            if len(missing):
                raise ArgumentError(
                    f"{counted(len(missing), 'home')}, {', '.join(missing[:5])} first, had no kit "
                    f"in round {round_id!r}; nothing is entered."
                )
            given["lead_found"] = given["lead_found"].mask(unsaid, now.reindex(given.index))
            self._refuse_earlier(db, "closings", "closed_on", round_id, today)
            (number,) = db.execute("SELECT count(*) FROM entries").fetchone()
            for place, (home, row) in enumerate(given.iterrows(), start=number + 1):
                words = (row["outcome"], row["lead_found"], reason)
                values = (place, round_id, home, today.isoformat(), *words)
                db.execute(entries.insert("corrections", 7), values)
                entries.add_entry(db, "corrected", round_id, today.isoformat())

    # ---- reading -------------------------------------------------------------------------

    def head(self) -> tuple[int, str]:
        """Return the number of entries and the digest of the last, which seals all before it."""
        last = self._read("SELECT number, digest FROM entries ORDER BY number DESC LIMIT 1")
        return (int(last["number"][0]), str(last["digest"][0])) if len(last) else (0, "")

    def rounds(self) -> pd.DataFrame:
        """Return one row per round: ``round_id, opened_on, closed_on, kits, digest``."""
        return self._read(
            "SELECT round_id, opened_on, closed_on, count(picks.parcel_id) AS kits, "
            "digest FROM rounds JOIN entries USING (round_id) JOIN picks USING (round_id) "
            "LEFT JOIN closings USING (round_id) WHERE kind = 'opened' "
            "GROUP BY rounds.number ORDER BY rounds.number"
        )

    def log(self, *, corrected: bool = True) -> pd.DataFrame:
        """Return every kit of every round, in order of sending.

        Parameters
        ----------
        corrected : bool
            Put the last correction of an outcome in the place of the first entry.

        Returns
        -------
        DataFrame
            By the ``rounds`` contract, with ``area_id, lead_found, listed`` (bool), ``place``.
            ``outcome`` is missing while a round is open. Homes that were not on the list have
            no arm and no inclusion probability; the others have ``eligible_homes``, all homes
            that could be sent a kit on that day. Homes of the audit arm have ``frame_homes`` and
            ``frame_lead``, the homes that they stand for and the lead lines expected there.
        """
        log = self._read(
            "SELECT number, round_id, parcel_id, opened_on AS sent_on, arm, inclusion_probability, "
            "picks.p_lead AS p_lead_at_send, picks.p_return AS p_return_at_send, outcome, area_id, "
            "lead_found, 1 AS listed, place, "
            "json_extract(design, '$.eligible') AS eligible_homes, "
            "CASE arm WHEN 'audit' THEN json_extract(design, '$.frame') END AS frame_homes, "
            "CASE arm WHEN 'audit' THEN json_extract(design, '$.frame_lead') END AS frame_lead "
            "FROM picks JOIN rounds USING (round_id) "
            "LEFT JOIN outcomes USING (round_id, parcel_id) UNION ALL "
            "SELECT number, round_id, parcel_id, opened_on, NULL, NULL, p_lead, p_return, outcome, "
            "NULL, lead_found, 0, 1000000000, NULL, NULL, NULL "
            "FROM outcomes JOIN rounds USING (round_id) "
            "WHERE listed = 0 ORDER BY number, place, parcel_id"
        ).drop(columns="number")
        if corrected:
            latest = self._read(
                "SELECT round_id, parcel_id, outcome, lead_found FROM corrections ORDER BY number"
            ).drop_duplicates(["round_id", "parcel_id"], keep="last")
            keys = ["round_id", "parcel_id"]
            both = log[keys].merge(latest, on=keys, how="left")
            for name in ("outcome", "lead_found"):
                log[name] = both[name].where(both[name].notna(), log[name]).to_numpy()
        log["sent_on"] = pd.to_datetime(log["sent_on"])
        log["listed"] = log["listed"].astype(bool)
        chances = ("inclusion_probability", "p_lead_at_send", "p_return_at_send")
        for name in (*chances, "eligible_homes", "frame_homes", "frame_lead"):
            log[name] = log[name].astype(float)
        return log

    def round_report(self, round_id: str) -> dict[str, Any]:
        """Return what a round claimed and, once it is closed, what came of it.

        Raises
        ------
        ArgumentError
            If there is no such round.
        """
        rounds = self.rounds().set_index("round_id")
        entries.known_round(round_id, rounds.index)
        claimed = self._read(
            "SELECT * FROM forecasts WHERE round_id = ? ORDER BY rowid", (round_id,)
        )
        log = self.log()
        return report_round(
            round_id,
            rounds.loc[round_id].to_dict(),
            claimed.drop(columns="round_id"),
            log[log["round_id"] == round_id],
            self._read(
                "SELECT parcel_id, entered_on, outcome, lead_found, reason FROM corrections "
                "WHERE round_id = ? ORDER BY number",
                (round_id,),
            ),
        )

    def verify(self) -> list[str]:
        """Work out every digest again; return a sentence for each entry that was tampered with."""
        with self._reading() as db:
            return entries.faults(db)

    @staticmethod
    def _round_to_close(db: sqlite3.Connection, name: str | None) -> str:
        every, closed = entries.rounds_there(db)
        if name is not None:
            if name in closed:
                raise ArgumentError(
                    f"round {name!r} is closed and cannot be closed again. Enter a correction."
                )
            return entries.known_round(name, every)
        waiting = [round_id for round_id in every if round_id not in closed]
        if len(waiting) != 1:
            state = "no round is open" if not waiting else f"open rounds: {', '.join(waiting)}"
            raise ArgumentError(f"{state}. Name the round to close.")
        return waiting[0]

    @staticmethod
    def _refuse_earlier(
        db: sqlite3.Connection, table: str, column: str, round_id: str, today: date
    ) -> None:
        """Refuse a day before the entry that this one follows on."""
        (day,) = db.execute(
            f"SELECT {column} FROM {table} WHERE round_id = ?", (round_id,)
        ).fetchone()
        if today.isoformat() < day:
            raise ArgumentError(
                f"{today} is before {day}, the day on which {round_id!r} was "
                f"{column.removesuffix('_on')}. Give the right day."
            )
