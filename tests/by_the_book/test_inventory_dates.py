"""Days by which people must be told, and the pace of replacement."""

import datetime as dt

import pandas as pd
import pytest

from linemap import inventory


@pytest.fixture
def classes():
    materials = {
        "lead": ("lead", "copper"),
        "galvanized": ("copper", "galvanized"),
        "unknown": ("unknown", "copper"),
        "clear": ("copper", "copper"),
    }
    record = pd.DataFrame.from_dict(
        materials, orient="index", columns=["utility_material", "customer_material"]
    )
    return inventory.classify_lines(record.rename_axis("parcel_id"))


def test_notice_30_days_after_the_inventory(classes):
    """16 Oct 2024 + 30 days = 15 Nov 2024: 40 CFR 141.85(e); Minnesota Department of Health."""
    due = inventory.notices_due(classes, "2024-10-16")
    assert due.index.tolist() == ["lead", "galvanized", "unknown"]
    assert (due["notice_by"] == pd.Timestamp("2024-11-15")).all()
    assert (due["then_by"] == pd.Timestamp("2025-11-15")).all()


def test_lcri_yearly_notice_by_the_end_of_the_year(classes):
    """From memory of 40 CFR 141.85(e): yearly by 31 December."""
    due = inventory.notices_due(classes, "2027-11-01", edition="LCRI")
    assert (due["notice_by"] == pd.Timestamp("2027-12-01")).all()
    assert (due["then_by"] == pd.Timestamp("2028-12-31")).all()


def test_new_customers_are_told_at_the_start_of_service(classes):
    """40 CFR 141.85(e): at start of service for new customers."""
    since = pd.Series({"lead": "2025-03-01", "unknown": "2001-01-01"})
    due = inventory.notices_due(classes, "2024-10-16", served_since=since)
    assert due.loc["lead", "notice_by"] == pd.Timestamp("2025-03-01")
    assert due.loc["lead", "why"].startswith("New customer")
    assert due.loc["unknown", "notice_by"] == pd.Timestamp("2024-11-15")


@pytest.mark.parametrize(
    ("edition", "lead", "known", "due"),
    [
        ("LCR", None, "2015-06-01", "2015-07-01"),  # 30 days
        ("LCRR", 15.0, "2025-06-01", "2025-07-01"),  # 15 is not above 15
        ("LCRR", 15.1, "2025-06-01", "2025-06-04"),  # 3 days, from memory
        ("LCRI", 0.5, "2029-01-05", "2029-01-10"),  # Friday to Wednesday: 3 business days
        ("LCRI", 0.5, "2029-01-06", "2029-01-10"),  # known on a Saturday
        ("LCRI", 0.5, "2029-01-08", "2029-01-11"),
    ],
)
def test_result_told_by(edition, lead, known, due):
    """40 CFR 141.85(d) by edition; LCRR and LCRI from memory."""
    day = inventory.results_notice_due(
        pd.Series(pd.to_datetime([known]), index=["K1"]),
        edition=edition,
        lead_ug_l=None if lead is None else pd.Series([lead], index=["K1"]),
    )
    assert day.loc["K1"] == pd.Timestamp(due)


def test_a_holiday_is_no_business_day():
    known = pd.Series(pd.to_datetime(["2029-01-12", None]))
    due = inventory.results_notice_due(known, edition="LCRI", holidays=["2029-01-15"])
    assert due.iloc[0] == pd.Timestamp("2029-01-18")
    assert pd.isna(due.iloc[1])


def test_fixed_dates():
    """40 CFR 141.84(a) and (b)(5), 89 FR 86418; the last day of replacement from memory."""
    dates = inventory.inventory_dates().set_index("what")
    assert dates["date"].dt.date.to_dict() == {
        "initial inventory": dt.date(2024, 10, 16),
        "initial notices": dt.date(2024, 11, 15),
        "baseline inventory": dt.date(2027, 11, 1),
        "validation": dt.date(2034, 12, 31),
        "replacement end": dt.date(2037, 12, 31),
    }
    assert not dates.loc["replacement end", "verified"]


@pytest.mark.parametrize(
    ("done", "average", "verdict"),
    [([60, 90, 150], 10.0, "on pace"), ([60, 90, 149], 9.967, "behind")],
)
def test_pace_first_judged_after_three_years(done, average, verdict):
    """EPA fact sheet P101C1E8: 10 % a year on average, first judged at the end of year 3."""
    pace = inventory.replacement_pace(1_000, done)
    assert pace["verdict"].tolist() == ["not judged yet", "not judged yet", verdict]
    assert pace["average_percent"].iloc[-1] == pytest.approx(average, abs=5e-4)
    assert pace["needed"].iloc[-1] == 150
    assert pace["ends_on"].iloc[-1] == pd.Timestamp("2030-12-31")


def test_an_unknown_line_found_non_lead_leaves_the_pool_and_is_no_replacement():
    """From memory of 40 CFR 141.84(d)."""
    pace = inventory.replacement_pace(1_000, [80, 80, 80], found_non_lead_by_year=[200, 0, 0])
    assert pace["pool"].tolist() == [800, 800, 800]
    assert pace["replaced"].tolist() == [80, 80, 80]
    assert pace["verdict"].iloc[-1] == "on pace"


def test_ten_years_of_the_pace_replace_the_whole_pool():
    pace = inventory.replacement_pace(1_000, [100] * 10)
    assert set(pace.loc[3:, "verdict"]) == {"on pace"}
    assert pace["ends_on"].iloc[-1] == pd.Timestamp("2037-12-31")
