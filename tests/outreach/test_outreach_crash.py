"""Killing the process at any moment of an entry leaves the ledger whole."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.outreach import KitPlan, Ledger, choose_kits, forecast_round
from linemap.settings import OutreachSettings

TODAY = date(2026, 5, 1)
MOMENTS = 30
"""Moments at which the database engine is stopped, for each kind of entry."""

BLIND = 15
"""Kills by the clock on top, which also hit the engine while it writes to the disk."""


class _Counted(Ledger):
    """A ledger that calls back at every step of the database engine."""

    at_step: Callable[[], int] = staticmethod(lambda: 0)

    def _connect(self) -> sqlite3.Connection:
        db = super()._connect()
        db.set_progress_handler(self.at_step, 1)
        return db


class _Story:
    """A ledger with a closed and an open round, and what is done to it next."""

    def __init__(self, homes: pd.DataFrame, folder: Path) -> None:
        settings = OutreachSettings(kits=40, quiet_days=0)
        self.plans = [choose_kits(homes, settings, seed=s, today=TODAY) for s in range(3)]
        self.forecasts = [forecast_round(p.kits, seed=1, draws=100) for p in self.plans]
        self.start = folder / "start.sqlite"
        ledger = Ledger(self.start)
        for i in range(2):
            ledger.open_round(self.plans[i], self.forecasts[i], today=TODAY)
        ledger.close_round(self.returns(self.plans[0]), today=TODAY, name="round 1")

    @staticmethod
    def returns(plan: KitPlan) -> pd.DataFrame:
        kits = plan.kits.head(20)
        return pd.DataFrame(
            {"parcel_id": kits["parcel_id"], "outcome": "usable", "lead_found": "yes"}
        )

    def act(self, ledger: Ledger, deed: str) -> dict[str, Any]:
        if deed == "open":
            return ledger.open_round(self.plans[2], self.forecasts[2], today=TODAY)
        if deed == "correct":
            changes = self.returns(self.plans[0]).assign(lead_found="no")
            ledger.correct("round 1", changes, reason="dug up", today=TODAY)
            return ledger.round_report("round 1")
        return ledger.close_round(self.returns(self.plans[1]), today=TODAY, name="round 2")

    def check(self, path: Path, deed: str) -> bool:
        """Assert that the deed is wholly there or wholly absent, and can be finished."""
        ledger = Ledger(path)
        assert ledger.verify() == []
        with sqlite3.connect(path) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            counts = [
                db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
                for table in (
                    "rounds", "picks", "forecasts", "closings", "outcomes", "corrections", "entries"
                )
            ]  # fmt: skip
        rows = [len(forecast) for forecast in self.forecasts]
        before = [2, 80, sum(rows[:2]), 1, 40, 0, 3]
        after = {
            "open": [3, 120, sum(rows), 1, 40, 0, 4],
            "close": [2, 80, sum(rows[:2]), 2, 80, 0, 4],
            "correct": [2, 80, sum(rows[:2]), 1, 40, 20, 23],
        }
        done = counts == after[deed]
        assert done or counts == before
        if done and deed != "correct":
            with pytest.raises(ArgumentError, match=r"frozen already|cannot be closed again"):
                self.act(ledger, deed)
        else:
            assert self.act(ledger, deed)["kits"] == 40
        return done


@pytest.fixture
def story(make_homes: Callable[..., pd.DataFrame], tmp_path: Path) -> _Story:
    return _Story(make_homes(400, areas=4), tmp_path)


def _in_child(deed: Callable[[], object]) -> int:
    """Run a deed in a child process; return the child's id."""
    child = os.fork()
    if child == 0:
        try:
            deed()
        finally:
            os._exit(0)
    return child


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
@pytest.mark.parametrize("deed", ["open", "close", "correct"])
def test_killed_at_any_step_of_the_engine(story: _Story, tmp_path: Path, deed: str) -> None:
    steps = 0

    def count() -> int:
        nonlocal steps
        steps += 1
        return 0

    whole = tmp_path / "whole.sqlite"
    shutil.copy(story.start, whole)
    counted = _Counted(whole)
    counted.at_step = count  # type: ignore[method-assign]
    story.act(counted, deed)
    total = steps
    assert total > MOMENTS

    finished = 0
    for moment in np.linspace(1, total, MOMENTS).astype(int).tolist():
        path = tmp_path / f"{moment}.sqlite"
        shutil.copy(story.start, path)

        def die(path: Path = path, moment: int = moment) -> None:
            left = moment

            def tick() -> int:
                nonlocal left
                left -= 1
                if left == 0:
                    os.kill(os.getpid(), signal.SIGKILL)
                return 0

            ledger = _Counted(path)
            ledger.at_step = tick  # type: ignore[method-assign]
            story.act(ledger, deed)

        _, status = os.waitpid(_in_child(die), 0)
        assert os.WIFSIGNALED(status)
        finished += story.check(path, deed)
    assert 0 < finished < MOMENTS


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
@pytest.mark.parametrize("deed", ["open", "close", "correct"])
def test_killed_by_the_clock(story: _Story, tmp_path: Path, deed: str) -> None:
    """Wherever the clock happens to strike, nothing is asserted but that the ledger is whole."""
    rng = np.random.default_rng(1)
    for trial, wait in enumerate(rng.uniform(0.0, 0.06, BLIND)):
        path = tmp_path / f"clock{trial}.sqlite"
        shutil.copy(story.start, path)
        child = _in_child(lambda path=path: story.act(Ledger(path), deed))
        time.sleep(wait)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        story.check(path, deed)
