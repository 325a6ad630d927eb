"""One year typed wrongly must not move the day of a run."""

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from linemap.assembly import judged_kits, last_day
from linemap.intake import latest_date, read_city
from linemap.settings import parse_settings
from linemap.tables import City, complete_table
from linemap.water import action_level

SETTINGS = parse_settings({"files": {"parcels": "postgresql://h/d?table=t"}})


def kits(n, start="2026-01-05"):
    days = pd.date_range(start, periods=n, freq="D")
    table = {"kit_id": [f"K{i}" for i in range(n)], "parcel_id": "P", "mailed_on": days,
             "collected_on": days + pd.Timedelta(days=7)}  # fmt: skip
    return complete_table(pd.DataFrame(table), "kits")


@pytest.mark.parametrize("column", ["mailed_on", "collected_on", "reported_on"])
@pytest.mark.parametrize("n", [10, 30, 500])
def test_a_wrong_year_moves_neither_the_day_nor_the_action_level(n, column):
    """From 1 November 2027 the level is 10 ug/L, before it 15: 89 FR 86418."""
    city = City("x", None, kits=kits(n))
    day = last_day(city, SETTINGS)
    assert day < date(2027, 11, 1)
    wrong = kits(n)
    wrong.loc[0, column] = pd.Timestamp("2062-05-10")
    assert last_day(replace(city, kits=wrong), SETTINGS) == day
    assert action_level("LCRR", on=day) == 15.0
    assert action_level("LCRR", on=date(2062, 5, 10)) == 10.0


def test_a_programme_that_starts_again_after_years_is_believed():
    """Also where its rows have a single date: kits only mailed, and looks."""
    both = pd.concat([kits(1000, "2019-01-01"), kits(3, "2026-03-01")], ignore_index=True)
    assert latest_date({"kits": both}) == pd.Timestamp("2026-03-10")
    mailed = both.assign(collected_on=both["collected_on"].mask(both.index >= 1000))
    assert latest_date({"kits": mailed}) == pd.Timestamp("2026-03-03")
    days = pd.to_datetime(["2022-05-01"] * 3000 + [f"2024-03-{k:02d}" for k in range(1, 26)])
    checks = complete_table(pd.DataFrame({"parcel_id": "P", "checked_on": days}), "checks")
    assert latest_date({"checks": checks}) == pd.Timestamp("2024-03-25")


def test_a_row_with_two_wrong_years_is_passed_over():
    wrong = kits(30)
    wrong.loc[0, ["mailed_on", "collected_on"]] = pd.Timestamp("2062-05-10")
    assert latest_date({"kits": wrong}) == kits(30)["collected_on"].max()


def test_few_dates_are_believed_as_they_are():
    checks = pd.DataFrame({"checked_on": pd.to_datetime(["2015-01-01", "2026-01-01"])})
    assert latest_date({"checks": checks}) == pd.Timestamp("2026-01-01")
    assert latest_date({"checks": checks.iloc[:0]}) is None
    assert latest_date({}) is None


def test_the_date_is_noted_with_file_column_row_and_remedy(small_city):
    rows = "".join(
        f"0002,{side},20{year}-05-0{day},copper,random\n"
        for year, day, side in [
            ("24", day, side) for day in range(1, 6) for side in ("utility", "customer")
        ]
        + [("62", 1, "utility")]
    )
    intake = read_city(small_city(checks=lambda t: t + rows))
    (note,) = intake.problems
    assert (note.effect, note.file, note.column, note.row) == (
        "note", "checks.csv", "checked_on", "13"
    )  # fmt: skip
    assert note.value == "2062-05-01"
    assert "passes it over" in note.reason
    assert "as_of" in note.remedy
    assert last_day(intake.city, SETTINGS) == date(2024, 6, 1)
    named = read_city(small_city({"city": {"as_of": date(2024, 6, 1)}},
                                 checks=lambda t: t + rows))  # fmt: skip
    assert named.problems == []
    assert len(named.city.checks) == 13


def test_a_kit_with_a_date_after_the_day_of_the_run_is_in_doubt():
    samples = pd.DataFrame(
        {"kit_id": [f"K{i}" for i in range(30)], "draw": "first", "analyte": "lead",
         "value_ug_l": 2.0, "limit_ug_l": 1.0, "below_limit": False}
    )  # fmt: skip
    wrong = kits(30)
    wrong.loc[0, "collected_on"] = pd.Timestamp("2062-05-10")
    said = "a date lies in the future"
    for settings, future in ((SETTINGS, 1), (_on(date(2026, 1, 20)), 22)):
        pairs = judged_kits(City("x", None, kits=wrong, samples=samples), settings)
        assert pairs["reasons"].str.contains(said).sum() == future
        assert said in pairs.loc[0, "reasons"]


def _on(day):
    return SETTINGS.model_copy(update={"city": SETTINGS.city.model_copy(update={"as_of": day})})
