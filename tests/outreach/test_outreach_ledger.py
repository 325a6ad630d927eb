"""The ledger: what is frozen stays frozen, every kit is counted, forgeries show."""

from __future__ import annotations

import multiprocessing
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError, RunFolderError
from linemap.outreach import KitPlan, Ledger, choose_kits, forecast_round, review_rounds
from linemap.settings import OutreachSettings

Homes = Callable[..., pd.DataFrame]
OPENED, CLOSED = date(2026, 5, 1), date(2026, 7, 1)


def _plan(homes: pd.DataFrame, seed: int = 1, quiet_days: int = 0) -> KitPlan:
    limits = OutreachSettings(kits=60, quiet_days=quiet_days)
    return choose_kits(homes, limits, seed=seed, today=OPENED)


def _returns(plan: KitPlan) -> pd.DataFrame:
    """The first five homes of the list come back, one in each way."""
    return pd.DataFrame(
        {
            "parcel_id": plan.kits["parcel_id"].head(5).to_numpy(),
            "outcome": ["usable", "usable", "not_usable", "refused", "undeliverable"],
            "lead_found": ["yes", "no", None, None, None],
        }
    )


def _one(home: str, outcome: str, lead_found: str) -> pd.DataFrame:
    return pd.DataFrame([{"parcel_id": home, "outcome": outcome, "lead_found": lead_found}])


@pytest.fixture
def opened(make_homes: Homes, tmp_path: Path) -> tuple[Ledger, KitPlan]:
    plan = _plan(make_homes(600, areas=6))
    ledger = Ledger(tmp_path / "rounds.sqlite")
    ledger.open_round(plan, forecast_round(plan.kits, seed=1), today=OPENED)
    return ledger, plan


def test_opening_freezes_list_and_forecast(opened: tuple[Ledger, KitPlan]) -> None:
    ledger, plan = opened
    report = ledger.round_report("round 1")
    assert report["kits"] == 60
    assert report["closed_on"] is None
    claimed = pd.DataFrame(report["parts"])
    pd.testing.assert_frame_equal(claimed, forecast_round(plan.kits, seed=1), check_dtype=False)
    log = ledger.log()
    assert log["parcel_id"].tolist() == plan.kits["parcel_id"].tolist()
    assert log["p_lead_at_send"].tolist() == plan.kits["p_lead"].tolist()
    assert log["inclusion_probability"].tolist() == plan.kits["inclusion_probability"].tolist()
    assert log["outcome"].isna().all()
    assert ledger.verify() == []


def test_the_same_list_cannot_be_opened_twice_nor_a_name_used_twice(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    ledger, plan = opened
    forecast = forecast_round(plan.kits, seed=1)
    with pytest.raises(ArgumentError, match="frozen already as 'round 1'"):
        ledger.open_round(plan, forecast, today=OPENED)
    other = _plan(make_homes(600, areas=6), seed=2)
    with pytest.raises(ArgumentError, match="another name"):
        ledger.open_round(other, forecast, today=OPENED, name="round 1")


def test_closing_counts_every_kit(opened: tuple[Ledger, KitPlan]) -> None:
    ledger, plan = opened
    report = ledger.close_round(_returns(plan), today=CLOSED)
    assert report["outcomes"] == {
        "usable": 2,
        "not_usable": 1,
        "refused": 1,
        "undeliverable": 1,
        "silent": 55,
    }
    whole = report["parts"][0]
    assert (whole["usable"], whole["lead_found"], whole["lead_open"]) == (2, 1, 0)
    assert not whole["usable_as_claimed"]
    assert any("OUTSIDE" in sentence for sentence in report["sentences"])
    assert "cannot rule out" in report["sentences"][-1]
    for part in ("arm", "area"):
        rows = [row for row in report["parts"] if row["part"] == part]
        assert sum(row["usable"] for row in rows) == 2
        assert sum(row["kits"] for row in rows) == 60


def test_a_round_without_a_random_arm_says_nothing_of_homes_off_the_list(
    make_homes: Homes, tmp_path: Path
) -> None:
    homes = make_homes(600, areas=6)
    for count in (60, 600):
        limits = OutreachSettings(kits=count, quiet_days=0, audit_share=0.0)
        plan = choose_kits(homes, limits, seed=1, today=OPENED)
        ledger = Ledger(tmp_path / f"{count}.sqlite")
        ledger.open_round(plan, plan.forecast, today=OPENED)
        every = pd.DataFrame({"parcel_id": plan.kits["parcel_id"], "outcome": "usable"})
        ledger.close_round(every.assign(lead_found="no"), today=CLOSED)
        review = review_rounds(ledger.log(), seed=1)
        rows = pd.DataFrame(review["estimates"]).set_index("quantity")
        assert rows.loc["eligible homes", "estimate"] == plan.design.eligible
        names = ["share with lead", "lead lines", "lead lines off the list"]
        nothing = rows.loc[names, ["estimate", "low", "high"]].isna()
        said = any(
            "there was no random arm, so nothing can be said of the homes off the list" in words
            for words in review["sentences"]
        )
        if plan.design.frame:
            assert nothing.all(axis=None)
            assert said
        else:
            assert not nothing.any(axis=None)
            assert not said
    assert not plan.design.frame


def test_a_claim_is_not_judged_while_homes_may_still_be_looked_at(
    opened: tuple[Ledger, KitPlan],
) -> None:
    ledger, plan = opened
    every = pd.DataFrame({"parcel_id": plan.kits["parcel_id"], "outcome": "usable"})
    whole = ledger.close_round(every, today=CLOSED)["parts"][0]
    assert (whole["lead_found"], whole["lead_open"], whole["found_low"] > 0) == (0, 60, True)
    assert whole["found_as_claimed"] is None
    assert "whether as claimed cannot be judged yet" in " ".join(
        ledger.round_report("round 1")["sentences"]
    )
    for count, home in enumerate(plan.kits["parcel_id"], start=1):
        ledger.correct("round 1", _one(home, "usable", "no"), reason="looked at", today=CLOSED)
        left = ledger.round_report("round 1")["parts"][0]
        if 60 - count < left["found_low"]:
            break
    assert left["found_as_claimed"] is False, "the rest cannot reach the claim any more"
    assert left["lead_open"] > 0


def test_lead_found_beside_the_claim_is_counted_apart(opened: tuple[Ledger, KitPlan]) -> None:
    """The claim is of lead lines at homes whose kit comes back usable."""
    ledger, plan = opened
    silent = pd.DataFrame({"parcel_id": plan.kits["parcel_id"], "outcome": "silent"})
    report = ledger.close_round(silent.assign(lead_found="yes"), today=CLOSED)
    assert report["parts"][0]["lead_found"] == 0
    assert report["found_beside"] == 60
    assert any(s.startswith("60 lead lines more found") for s in report["sentences"])


def test_homes_off_the_list_are_kept_apart(opened: tuple[Ledger, KitPlan]) -> None:
    ledger, plan = opened
    other = pd.DataFrame(
        {"parcel_id": ["X1"], "outcome": ["usable"], "lead_found": [True], "p_lead": [0.25]}
    )
    report = ledger.close_round(pd.concat([_returns(plan), other]), today=CLOSED)
    assert (report["unlisted"], report["unlisted_homes"]) == (1, ["X1"])
    assert any("not on the list (first: X1)" in sentence for sentence in report["sentences"])
    assert report["kits"] == 60
    assert report["parts"][0]["lead_found"] == 1
    row = ledger.log().set_index("parcel_id").loc["X1"]
    assert not row["listed"]
    assert row["p_lead_at_send"] == 0.25
    assert pd.isna(row["inclusion_probability"])


def test_a_closed_round_takes_corrections_and_nothing_else(opened: tuple[Ledger, KitPlan]) -> None:
    ledger, plan = opened
    home = plan.kits["parcel_id"][0]
    changes, words = _one(home, "usable", "no"), {"reason": "dug up: copper", "today": CLOSED}
    with pytest.raises(ArgumentError, match="'round 1' is not closed yet"):
        ledger.correct("round 1", changes, **words)
    with pytest.raises(ArgumentError, match=r"no round 'round 9'\. Rounds: round 1"):
        ledger.correct("round 9", changes, **words)
    ledger.close_round(_returns(plan), today=CLOSED)
    with pytest.raises(ArgumentError, match="cannot be closed again"):
        ledger.close_round(_returns(plan), today=CLOSED, name="round 1")
    with pytest.raises(ArgumentError, match="no round is open"):
        ledger.close_round(_returns(plan), today=CLOSED)
    ledger.correct("round 1", changes, **words)
    assert ledger.log().set_index("parcel_id").loc[home, "lead_found"] == "no"
    assert ledger.log(corrected=False).set_index("parcel_id").loc[home, "lead_found"] == "yes"
    report = ledger.round_report("round 1")
    assert report["parts"][0]["lead_found"] == 0
    assert report["corrected"] == [
        {
            "parcel_id": home,
            "entered_on": str(CLOSED),
            "outcome": "usable",
            "lead_found": "no",
            "reason": "dug up: copper",
        }
    ]
    said = "1 correction entered since closing; the figures count what was entered last. The "
    said += f"latest, on {CLOSED}: {home} is usable, lead found no (dug up: copper)."
    assert said in report["sentences"]
    assert ledger.verify() == []
    with pytest.raises(ArgumentError, match="reason"):
        ledger.correct("round 1", changes, reason=" ", today=CLOSED)


def test_a_table_of_corrections_is_entered_whole_or_not_at_all(
    opened: tuple[Ledger, KitPlan],
) -> None:
    ledger, plan = opened
    homes = plan.kits["parcel_id"].head(3).tolist()
    ledger.close_round(_returns(plan), today=CLOSED)
    many = pd.concat([_one(home, "usable", "no") for home in homes], ignore_index=True)
    wrong = {
        "1 home, elsewhere first, had no kit in round 'round 1'; nothing": pd.concat(
            [many, _one("elsewhere", "usable", "no")]
        ),
        "lead_found has maybe": pd.concat([many, _one("elsewhere", "usable", "maybe")]),
        "stand twice": pd.concat([many, many]),
        "no row": many.head(0),
    }
    for said, table in wrong.items():
        with pytest.raises(ArgumentError, match=said):
            ledger.correct("round 1", table, reason="dug up", today=CLOSED)
        assert ledger.head()[0] == 2
    ledger.correct("round 1", many, reason="dug up", today=CLOSED)
    assert ledger.head()[0] == 5, "each home has an entry of its own"
    assert ledger.verify() == []
    now = ledger.log().set_index("parcel_id")
    assert now.loc[homes, "lead_found"].tolist() == ["no"] * 3
    assert [row["parcel_id"] for row in ledger.round_report("round 1")["corrected"]] == homes


def test_a_correction_that_is_silent_on_lead_leaves_what_was_entered_last(
    opened: tuple[Ledger, KitPlan],
) -> None:
    ledger, plan = opened
    ledger.close_round(_returns(plan), today=CLOSED)
    first, second = plan.kits["parcel_id"].head(2)

    def found(changes: pd.DataFrame) -> list[str]:
        ledger.correct("round 1", changes, reason="filed twice", today=CLOSED)
        return ledger.log().set_index("parcel_id").loc[[first, second], "lead_found"].tolist()

    both = pd.DataFrame({"parcel_id": [first, second], "outcome": "not_usable"})
    assert found(both) == ["yes", "no"]
    assert found(both.assign(lead_found=[None, "yes"])) == ["yes", "yes"]
    assert found(both.head(1)) == ["yes", "yes"], "the latest entry stands, not the first"
    assert found(both.assign(lead_found=["unknown", None])) == ["unknown", "yes"]
    assert ledger.verify() == []


def test_returns_with_faults_are_refused_whole(opened: tuple[Ledger, KitPlan]) -> None:
    ledger, plan = opened
    good = _returns(plan)
    with pytest.raises(ArgumentError, match="outcome has lost"):
        ledger.close_round(good.assign(outcome="lost"), today=CLOSED)
    with pytest.raises(ArgumentError, match="stand twice"):
        ledger.close_round(pd.concat([good, good]), today=CLOSED)
    with pytest.raises(ArgumentError, match="outcome"):
        ledger.close_round(good.drop(columns="outcome"), today=CLOSED)
    with pytest.raises(ArgumentError, match="there is no round 'round 9'"):
        ledger.close_round(good, today=CLOSED, name="round 9")
    assert ledger.rounds()["closed_on"].isna().all()


def test_returns_of_another_city_or_none_at_all_leave_the_round_open(
    opened: tuple[Ledger, KitPlan],
) -> None:
    ledger, plan = opened
    good = _returns(plan)
    for other in (good.assign(parcel_id=[f"X{i}" for i in range(5)]), good.head(0)):
        with pytest.raises(ArgumentError, match=r"stays open.*is it the right file"):
            ledger.close_round(other, today=CLOSED)
    assert ledger.rounds()["closed_on"].isna().all()
    nothing = pd.DataFrame({"parcel_id": plan.kits["parcel_id"].head(1), "outcome": "silent"})
    assert ledger.close_round(nothing, today=CLOSED)["outcomes"]["silent"] == 60


def test_returns_with_more_homes_of_no_list_than_of_lists_leave_the_round_open(
    opened: tuple[Ledger, KitPlan],
) -> None:
    ledger, plan = opened
    good = _returns(plan)
    off = pd.DataFrame({"parcel_id": [f"X{i}" for i in range(6)], "outcome": "usable"})
    with pytest.raises(ArgumentError, match=r"stays open: 6 of 11 rows .*no list, X0, X1"):
        ledger.close_round(pd.concat([good, off]), today=CLOSED)
    assert ledger.head()[0] == 1
    assert ledger.close_round(pd.concat([good, off.head(5)]), today=CLOSED)["unlisted"] == 5


def test_homes_that_the_returns_do_not_name_are_said_where_they_are_most(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    ledger, plan = opened
    kits = plan.kits["parcel_id"]
    report = ledger.close_round(
        pd.DataFrame({"parcel_id": kits.head(29), "outcome": "silent"}), today=CLOSED
    )
    said = "do not name 31 homes of the list of 60: these count as silent. `linemap round correct`"
    assert sum(said in sentence for sentence in report["sentences"]) == 1
    assert report["sentences"][-1].startswith("A home where no lead was found is not cleared")
    other = _plan(make_homes(600, seed=9, areas=6), seed=2)
    ledger.open_round(other, forecast_round(other.kits, seed=1, draws=100), today=CLOSED)
    half = pd.DataFrame({"parcel_id": other.kits["parcel_id"].head(30), "outcome": "silent"})
    report = ledger.close_round(half, today=CLOSED)
    assert report["unnamed"] == 30
    assert not any("do not name" in sentence for sentence in report["sentences"])


def test_a_round_is_not_opened_before_the_last_one(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    ledger, _ = opened
    other = _plan(make_homes(600, seed=9, areas=6))
    forecast = forecast_round(other.kits, seed=1, draws=100)
    day = OPENED - timedelta(days=1)
    with pytest.raises(ArgumentError, match=f"{day} is before {OPENED}.*last round was opened"):
        ledger.open_round(other, forecast, today=day)
    with pytest.raises(ArgumentError, match="cannot be blank"):
        ledger.open_round(other, forecast, today=OPENED, name=" ")
    assert len(ledger.rounds()) == 1


def test_review_of_all_rounds_reads_the_log(opened: tuple[Ledger, KitPlan]) -> None:
    ledger, plan = opened
    kits = plan.kits
    returns = pd.DataFrame(
        {"parcel_id": kits["parcel_id"], "outcome": "usable", "lead_found": kits["arm"] != "audit"}
    )
    ledger.close_round(returns, today=CLOSED)
    review = review_rounds(ledger.log(), seed=1)
    eligible = next(r for r in review["estimates"] if r["quantity"] == "eligible homes")
    assert eligible["estimate"] == pytest.approx(plan.design.eligible)
    assert {alarm["chart"] for alarm in review["alarms"]} == {
        "hit rate",
        "hit rate of the list",
        "return rate",
        "calibration",
    }
    assert len(review["sentences"]) == 7
    assert "Of the 4 charts each errs on its own" in review["sentences"][-1]
    assert "at most 20%" in review["sentences"][-1]
    assert review["closed"] == 1
    assert review["sentences"][0].startswith("ALARM")
    assert "remain to be found" in review["sentences"][1]
    assert "lead lines (95% interval" in review["sentences"][2]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE picks SET p_lead = 0",
        "DELETE FROM picks",
        "INSERT INTO picks VALUES ('round 1', 'new', 61, 'ranked', 'A00', 0.5, 0.5, 1.0)",
        "UPDATE forecasts SET found = 1",
        "DELETE FROM rounds",
        "INSERT OR REPLACE INTO rounds SELECT * FROM rounds",
        "UPDATE outcomes SET lead_found = 'no'",
        "DELETE FROM outcomes",
        "INSERT OR REPLACE INTO outcomes SELECT * FROM outcomes",
        "DELETE FROM closings",
        "UPDATE entries SET digest = 'x'",
        "DELETE FROM entries",
    ],
)
def test_the_database_itself_refuses_to_change_an_entry(
    opened: tuple[Ledger, KitPlan], statement: str
) -> None:
    ledger, plan = opened
    ledger.close_round(_returns(plan), today=CLOSED)
    db = sqlite3.connect(ledger.path)
    with pytest.raises(sqlite3.IntegrityError, match=r"ledger|frozen"):
        db.execute(statement)
    db.close()


def test_a_forgery_past_the_triggers_shows(opened: tuple[Ledger, KitPlan]) -> None:
    ledger, plan = opened
    ledger.close_round(_returns(plan), today=CLOSED)
    db = sqlite3.connect(ledger.path)
    db.execute("DROP TRIGGER forecasts_update")
    db.execute("UPDATE forecasts SET found = found + 1 WHERE part = 'all'")
    db.commit()
    db.close()
    assert ledger.verify() == ["Entry 1 (round 1, opened) was changed after it was made."]


def test_files_that_are_no_ledger_are_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("not a database, but long enough to be taken for one" * 20)
    with pytest.raises(RunFolderError, match="notes"):
        Ledger(text)
    other = tmp_path / "other.sqlite"
    db = sqlite3.connect(other)
    db.execute("CREATE TABLE mine (x)")
    db.commit()
    db.close()
    with pytest.raises(RunFolderError, match="not a ledger"):
        Ledger(other)
    with pytest.raises(RunFolderError):
        Ledger(tmp_path / "no folder" / "rounds.sqlite")


def test_homes_of_another_round_within_the_quiet_days_are_refused(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    """Whatever list is brought, a home is not written to twice."""
    ledger, plan = opened
    again = _plan(make_homes(600, areas=6), seed=2, quiet_days=365)
    both = again.kits["parcel_id"].isin(plan.kits["parcel_id"]).sum()
    assert both
    forecast = forecast_round(again.kits, seed=1, draws=100)
    with pytest.raises(ArgumentError, match=rf"^{both} homes of this list.*'round 1' of {OPENED}"):
        ledger.open_round(again, forecast, today=OPENED + timedelta(days=364))
    assert len(ledger.rounds()) == 1
    ledger.open_round(again, forecast, today=OPENED + timedelta(days=365))
    assert len(ledger.rounds()) == 2


def test_homes_off_the_list_that_came_back_are_refused_within_the_quiet_days(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    ledger, plan = opened
    other = _plan(make_homes(600, seed=9, areas=6), seed=2, quiet_days=365)
    new = other.kits[~other.kits["parcel_id"].isin(plan.kits["parcel_id"])].head(2)
    alone = replace(other, kits=new)
    forecast = forecast_round(new, seed=1, draws=100)
    off = pd.DataFrame({"parcel_id": new["parcel_id"].head(1), "outcome": "usable"})
    ledger.close_round(pd.concat([_returns(plan), off]), today=CLOSED)
    with pytest.raises(ArgumentError, match=r"^1 home of this list.*within the 365 quiet days"):
        ledger.open_round(alone, forecast, today=OPENED + timedelta(days=364))
    assert ledger.open_round(alone, forecast, today=OPENED + timedelta(days=365))["kits"] == 2


def test_homes_that_refused_after_the_list_was_made_are_refused(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    """A list made before the round was closed, without quiet days; until the home asks again."""
    ledger, plan = opened
    other = _plan(make_homes(600, seed=9, areas=6), seed=2)
    forecast = forecast_round(other.kits, seed=1, draws=100)
    both = other.kits["parcel_id"][other.kits["parcel_id"].isin(plan.kits["parcel_id"])].tolist()
    new = other.kits["parcel_id"][~other.kits["parcel_id"].isin(plan.kits["parcel_id"])].tolist()
    no = pd.DataFrame({"parcel_id": [both[0], new[0]], "outcome": "refused"})
    ledger.close_round(no, today=CLOSED)
    with pytest.raises(
        ArgumentError, match=r"^2 homes of this list.*refused.*`linemap prioritize`"
    ):
        ledger.open_round(other, forecast, today=CLOSED)
    silent = _one(both[0], "silent", "unknown")
    ledger.correct("round 1", silent, reason="misread", today=CLOSED)
    for day in (OPENED, None):
        asked = pd.Series(pd.to_datetime([day]), index=new[:1])
        with pytest.raises(ArgumentError, match=rf"^1 home of this list, {new[0]} first"):
            ledger.open_round(other, forecast, today=CLOSED, asked_on=asked)
    asked = pd.Series(pd.to_datetime([CLOSED]), index=new[:1])
    assert ledger.open_round(other, forecast, today=CLOSED, asked_on=asked)["kits"] == 60


def test_no_entry_bears_a_day_before_the_one_it_follows_on(
    opened: tuple[Ledger, KitPlan],
) -> None:
    ledger, plan = opened
    with pytest.raises(ArgumentError, match=f"is before {OPENED}.*was opened"):
        ledger.close_round(_returns(plan), today=OPENED - timedelta(days=1))
    ledger.close_round(_returns(plan), today=CLOSED)
    home = plan.kits["parcel_id"][0]
    with pytest.raises(ArgumentError, match=f"is before {CLOSED}.*was closed"):
        ledger.correct("round 1", _one(home, "usable", "no"), reason="late", today=OPENED)
    assert ledger.head()[0] == 2


def test_the_ledger_is_read_as_it_was_after_any_entry(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    ledger, plan = opened
    steps = [
        lambda: ledger.close_round(_returns(plan), today=CLOSED),
        lambda: ledger.correct(
            "round 1", _one(plan.kits["parcel_id"][0], "usable", "no"), reason="dug up: copper",
            today=CLOSED,
        ),
        lambda: ledger.open_round(
            other := _plan(make_homes(600, areas=6), seed=2),
            forecast_round(other.kits, seed=1, draws=100), today=CLOSED,
            asked_on=pd.Series(pd.Timestamp(CLOSED), index=plan.kits["parcel_id"]),
        ),
    ]  # fmt: skip
    seen = [(0, ledger.log().head(0), []), (1, ledger.log(), ledger.rounds()["closed_on"].tolist())]
    for number, step in enumerate(steps, start=2):
        step()
        seen.append((number, ledger.log(), ledger.rounds()["closed_on"].tolist()))
    heads = []
    for number, log, closed_on in seen:
        then = Ledger(ledger.path, entries=number)
        pd.testing.assert_frame_equal(then.log(), log, check_dtype=False)
        assert then.rounds()["closed_on"].tolist() == closed_on
        assert then.verify() == []
        assert then.head()[0] == number
        heads.append(then.head()[1])
    assert len(set(heads)) == len(seen)
    with pytest.raises(ArgumentError, match="cannot be written"):
        Ledger(ledger.path, entries=1).close_round(_returns(plan), today=CLOSED)


def test_an_empty_or_cut_file_is_said_with_its_remedy(
    opened: tuple[Ledger, KitPlan], tmp_path: Path
) -> None:
    """What is left of a ledger is never taken for a new one."""
    ledger, _ = opened
    whole = ledger.path.read_bytes()
    cut = tmp_path / "cut.sqlite"
    cut.touch()
    with pytest.raises(RunFolderError, match=r"is empty, which a ledger never is.*last good copy"):
        Ledger(cut)
    for length in (50, 100, 1000, 4096, len(whole) // 2, len(whole) - 4096):
        cut.write_bytes(whole[:length])
        with pytest.raises(RunFolderError, match="last good copy"):
            Ledger(cut).log()
        assert cut.read_bytes() == whole[:length]


def test_a_full_disk_leaves_the_ledger_as_it_was(
    make_homes: Homes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = Ledger(tmp_path / "rounds.sqlite")
    homes = make_homes(2000, areas=6)
    plan = choose_kits(homes, OutreachSettings(kits=400), seed=1, today=OPENED)
    forecast = forecast_round(plan.kits, seed=1, draws=100)
    connect = Ledger._connect

    def small(self: Ledger) -> sqlite3.Connection:
        db = connect(self)
        pages = db.execute("PRAGMA page_count").fetchone()[0]
        db.execute(f"PRAGMA max_page_count = {pages}")
        return db

    with monkeypatch.context() as full:
        full.setattr(Ledger, "_connect", small)
        with pytest.raises(RunFolderError, match="The disk is full: free some space"):
            ledger.open_round(plan, forecast, today=OPENED)
    assert ledger.head() == (0, "")
    assert ledger.open_round(plan, forecast, today=OPENED)["kits"] == 400
    assert ledger.verify() == []


def _open_many(path: Path, plans: list[KitPlan]) -> None:
    for plan in plans:
        Ledger(path).open_round(plan, forecast_round(plan.kits, seed=1, draws=100), today=OPENED)


def test_two_writers_wait_for_each_other(make_homes: Homes, tmp_path: Path) -> None:
    homes = make_homes(600, areas=6)
    plans = [_plan(homes, seed) for seed in range(8)]
    path = tmp_path / "rounds.sqlite"
    context = multiprocessing.get_context("fork")
    writers = [
        context.Process(target=_open_many, args=(path, part)) for part in (plans[:4], plans[4:])
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(120)
        assert writer.exitcode == 0
    ledger = Ledger(path)
    assert ledger.rounds()["round_id"].tolist() == [f"round {i}" for i in range(1, 9)]
    assert ledger.rounds()["kits"].tolist() == [60] * 8
    assert ledger.verify() == []


def test_lists_of_one_day_and_seed_but_other_homes_differ(
    opened: tuple[Ledger, KitPlan], make_homes: Homes
) -> None:
    ledger, _ = opened
    other = _plan(make_homes(600, seed=9, areas=6))
    report = ledger.open_round(other, forecast_round(other.kits, seed=1), today=OPENED, name="b")
    assert report["round_id"] == "b"
    assert np.array_equal(ledger.rounds()["kits"], [60, 60])
    with pytest.raises(ArgumentError, match="open rounds: round 1, b"):
        ledger.close_round(_returns(other), today=CLOSED)
