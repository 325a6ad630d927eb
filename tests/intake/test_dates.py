"""Dates as they are found in files."""

from datetime import date

import openpyxl.utils.datetime
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linemap.errors import InputError
from linemap.intake import parse_date, read_city
from linemap.intake.dates import date_order

DAY = date(2024, 5, 31)


@pytest.mark.parametrize(
    "text",
    [
        "2024-05-31",
        "2024-5-31",
        "2024/05/31",
        "2024-05-31T07:45:00Z",
        "2024-05-31T07:45:00.123+02:00",
        "2024-05-31 07:45:00.000000",
        "2024-05-31 7:45 AM",
        "5/31/2024",
        "05/31/2024",
        " 5/31/2024 ",
        "5/31/2024 7:45:10 pm",
        "5-31-2024",
        "5.31.2024",
        "31 May 2024",
        "31-May-2024",
        "May 31, 2024",
        "may 31 2024",
        "20240531",
        "45443",
        "45443.75",
    ],
)
def test_one_day_written_in_many_ways(text):
    assert parse_date(text) == DAY


@pytest.mark.parametrize(
    "text",
    [
        "",
        "5/31/24",
        "31/5/2024",
        "2024-02-30",
        "2024-13-01",
        "2023-02-29",
        "2024",
        "1985",
        "May 2024",
        "31 Mai 2024",
        "5/31-2024",
        "0000-00-00",
        "1899-12-31",
        "9999-12-31",
        "12345",
        "99999",
        "yesterday",
        "2024-05-31x",
        "2024-05-31 25",
        "\u0662\u0660\u0662\u0664-05-31",
    ],
)
def test_what_is_not_a_date(text):
    assert parse_date(text) is None


def test_day_first():
    assert parse_date("31/5/2024", day_first=True) == DAY
    assert parse_date("5/31/2024", day_first=True) is None
    assert parse_date("2024-05-31", day_first=True) == DAY


@given(st.dates(date(1954, 10, 3), date(2099, 12, 31)))
def test_day_counts_agree_with_openpyxl(day):
    serial = openpyxl.utils.datetime.to_excel(pd.Timestamp(day).to_pydatetime())
    assert parse_date(str(int(serial))) == day


@given(st.dates(date(1900, 1, 1), date(2100, 12, 31)))
def test_written_dates_come_back(day):
    assert parse_date(day.isoformat()) == day
    assert parse_date(f"{day.month}/{day.day}/{day.year}") == day
    assert parse_date(day.strftime("%d %B %Y")) == day
    assert parse_date(day.strftime("%b %d, %Y")) == day


@given(st.text(max_size=25))
def test_any_text_gives_a_day_or_none(text):
    found = parse_date(text)
    assert found is None or 1900 <= found.year <= 2100


@pytest.mark.parametrize(
    ("texts", "day_first", "certain", "asked"),
    [
        (["5/31/2024", "5/4/2024"], False, True, False),
        (["31/5/2024", "30/4/2024"], True, True, False),
        (["31/5/2024", "5/5/2024"], True, True, False),
        (["31/5/2024", "4/5/2024"], False, False, True),
        (["31/5/2024", "5/31/2024"], False, False, True),
        (["4/5/2024"], False, True, True),
        (["5/5/2024"], False, True, False),
        (["2024-05-31", "45443"], False, True, False),
        (["13/45/2024", "5/31/2024"], False, True, False),
        ([], False, True, False),
    ],
)
def test_order_of_day_and_month(texts, day_first, certain, asked):
    order = date_order(texts)
    assert (order.day_first, order.certain, bool(order.reason)) == (day_first, certain, asked)
    assert date_order(reversed(texts)) == order


def test_the_answer_in_the_settings_is_used(small_city):
    def europe(text):
        return text.replace("2024-05-31", "31/5/2024").replace("2024-06-01", "1/6/2024")

    intake = read_city(small_city({"city": {"day_first": True}}, checks=europe))
    assert intake.problems == []
    assert intake.city.checks["checked_on"].dt.strftime("%Y-%m-%d").tolist() == [
        "2024-05-31",
        "2024-06-01",
    ]


@pytest.mark.parametrize(
    ("day_first", "proof", "other"), [(True, "12/31/2024", "month"), (False, "31/12/2024", "day")]
)
def test_an_answer_that_the_column_contradicts_stops_the_job(small_city, day_first, proof, other):
    """Common practice, no source: one proof of the other order makes every date doubtful."""

    def spoil(text):
        return text.replace("2024-05-31", "03/04/2024").replace("2024-06-01", proof)

    settings = small_city({"city": {"day_first": day_first}}, checks=spoil)
    with pytest.raises(InputError) as stopped:
        read_city(settings)
    (problem,) = stopped.value.problems
    assert (problem.file, problem.table, problem.column) == ("checks.csv", "checks", "checked_on")
    assert f"{proof} can only have the {other} first" in problem.reason
    assert "(row 2)" in problem.reason
    assert f"day_first = {str(not day_first).lower()}" in problem.remedy
    assert "YYYY-MM-DD" in problem.remedy


def test_a_column_written_by_iso_8601_mends_one_file_of_another_order(small_city):
    def europe(text):
        return text.replace("2024-05-31", "31/5/2024").replace("2024-06-01", "1/6/2024")

    settings = small_city({"city": {"day_first": True}}, checks=europe)
    intake = read_city(settings)  # the kits hold ISO dates
    assert intake.problems == []
    assert intake.city.kits["collected_on"].dt.month.eq(3).all()


def test_all_columns_of_the_wrong_order_are_named_at_once(small_city):
    def america(text):
        return text.replace("2024-03-01", "3/31/2024").replace("2024-03-04", "4/30/2024")

    with pytest.raises(InputError) as stopped:
        read_city(small_city({"city": {"day_first": True}}, kits=america))
    assert [p.column for p in stopped.value.problems] == ["collected_on", "received_on"]


def test_dates_in_the_future_are_not_judged(small_city):
    intake = read_city(small_city(checks=lambda t: t.replace("2024-05-31", "2093-05-31")))
    assert intake.problems == []
