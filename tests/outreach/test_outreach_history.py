"""What homes were sent before: the city's tables and the ledger together, nothing twice."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from linemap.outreach import expected_return, kit_history, since_rounds, with_rounds
from linemap.tables import complete_table, empty_table


def test_kit_history_counts_kits_and_usable_ones() -> None:
    kits = complete_table(
        pd.DataFrame(
            {
                "kit_id": ["1", "2", "3"],
                "parcel_id": ["a", "a", "b"],
                "requested_on": pd.to_datetime(["2025-01-01", None, None]),
                "mailed_on": pd.to_datetime([None, "2025-06-01", "2025-07-01"]),
            }
        ),
        "kits",
    )
    pairs = complete_table(
        pd.DataFrame(
            {
                "kit_id": ["1", "3"],
                "parcel_id": ["a", "b"],
                "verdict": ["usable_with_doubt", "not_usable"],
            }
        ),
        "pairs",
    )
    history = kit_history(kits, pairs, pd.Index(["a", "b", "c"]))
    assert history["kits_before"].tolist() == [2, 1, 0]
    assert history["asked_on"].dt.year.fillna(0).tolist() == [2025, 0, 0]
    assert history["tested"].tolist() == [True, False, False]
    assert history["last_kit_on"].dt.month.tolist()[:2] == [6, 7]


@pytest.fixture
def tables() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Two kits that the city has, and a closed and an open round."""
    kits = pd.DataFrame(
        {
            "kit_id": ["K1", "K2"],
            "parcel_id": ["a", "b"],
            "mailed_on": pd.to_datetime(["2026-05-03", "2025-01-01"]),
        }
    )
    pairs = pd.DataFrame({"kit_id": ["K1"], "parcel_id": ["a"], "verdict": ["not_usable"]})
    log = pd.DataFrame(
        {
            "round_id": ["round 1"] * 4 + ["round 2"] * 2,
            "parcel_id": ["a", "b", "c", "stranger", "d", "c"],
            "sent_on": pd.to_datetime(["2026-05-01"] * 4 + ["2026-09-01"] * 2),
            "arm": ["ranked", "floor", "audit", None, "ranked", "ranked"],
            "outcome": ["usable", "usable", "refused", "usable", None, None],
        }
    )
    return (
        complete_table(kits, "kits"),
        complete_table(pairs, "pairs"),
        complete_table(log, "rounds"),
    )


def test_kits_of_the_ledger_are_added_where_the_city_has_none(tables) -> None:
    """K1 is the kit of round 1, and the laboratory's verdict stands; K2 is a year older."""
    kits, pairs, log = tables
    every, back = with_rounds(kits, pairs, log)
    assert every["kit_id"].tolist() == [
        "K1", "K2", "round 1 b", "round 1 c", "round 1 stranger", "round 2 d", "round 2 c"
    ]  # fmt: skip
    assert every["settled"].fillna("open question").tolist() == [
        True, "open question", True, True, False, False, False
    ]  # fmt: skip
    assert back[["kit_id", "verdict"]].to_numpy().tolist() == [
        ["K1", "not_usable"],
        ["round 1 b", "usable"],
        ["round 1 stranger", "usable"],
    ]
    history = kit_history(every, back, pd.Index([*"abcd", "stranger"]))
    assert history["kits_before"].tolist() == [1, 2, 2, 1, 1]
    assert history["tested"].tolist() == [False, True, False, False, True]
    assert history["last_kit_on"].dt.month.tolist() == [5, 5, 9, 9, 5]
    pd.testing.assert_frame_equal(
        with_rounds(kits, pairs, empty_table("rounds"))[0][kits.columns], kits
    )


def test_a_refusal_holds_until_the_home_asks(tables) -> None:
    *_, log = tables
    homes = pd.DataFrame(
        {
            "last_kit_on": pd.to_datetime(["2026-05-03", "2025-01-01", None, None]),
            "asked_on": pd.NaT,
        },
        index=list("abcd"),
    )
    now = since_rounds(homes, log)
    assert now["last_kit_on"].dt.strftime("%m-%d").tolist() == ["05-03", "05-01", "09-01", "09-01"]
    assert now["refused"].tolist() == [False, False, True, False]
    for day, refused in (("2026-05-01", True), ("2026-06-01", False)):
        asked = homes.assign(asked_on=pd.Timestamp(day))
        assert since_rounds(asked, log).loc["c", "refused"] == refused
    taken = log.assign(outcome=log["outcome"].where(log["round_id"] != "round 2", "usable"))
    assert not since_rounds(homes, taken)["refused"].any()
    assert not since_rounds(homes, empty_table("rounds"))["refused"].any()


def test_a_home_off_the_list_had_a_kit_and_may_have_refused_it(tables) -> None:
    *_, log = tables
    homes = pd.DataFrame({"last_kit_on": pd.NaT, "asked_on": pd.NaT}, index=["stranger", "e"])
    now = since_rounds(homes, log)
    assert now["last_kit_on"].dt.strftime("%m-%d").fillna("").tolist() == ["05-01", ""]
    assert not now["refused"].any()
    no = log.assign(outcome=log["outcome"].mask(log["parcel_id"].eq("stranger"), "refused"))
    assert since_rounds(homes, no)["refused"].tolist() == [True, False]


def test_closed_rounds_teach_the_response_and_open_ones_wait(
    make_homes: Callable[..., pd.DataFrame],
) -> None:
    """The share that came back is learned from the ledger alone, at once."""
    homes = make_homes(1500, areas=3).assign(kits_before=0.0)
    log = pd.DataFrame(
        {
            "round_id": np.repeat(["round 1", "round 2"], [1000, 500]),
            "parcel_id": homes.index,
            "sent_on": pd.to_datetime(np.repeat(["2026-05-01", "2026-06-01"], [1000, 500])),
            "arm": "ranked",
            "outcome": np.where(np.arange(1500) % 4 == 0, "usable", "silent"),
        }
    )
    log.loc[1000:, "outcome"] = None
    off = {"round_id": "round 1", "outcome": "usable", "arm": None, "sent_on": log["sent_on"][0]}
    log = pd.concat([log, pd.DataFrame({"parcel_id": homes.index[1000:1100], **off})])
    rounds = complete_table(log, "rounds")
    none = empty_table("kits"), empty_table("pairs")
    learned = expected_return(homes, *with_rounds(*none, rounds), seed=1)
    assert (learned.kits, learned.usable) == (1000, 250)
    assert learned.p_return.mean() == pytest.approx(0.25, abs=0.03)
