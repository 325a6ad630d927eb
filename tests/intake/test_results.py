"""Results and units: published definitions, what must not be read, and any text at all."""

import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from linemap.intake import parse_result, read_city, read_samples
from linemap.intake.results import parse_unit
from linemap.published import fact


@pytest.mark.parametrize(
    ("text", "unit", "ug_l", "source"),
    [
        ("0.015", "mg/L", 15.0, "40 CFR 141.80(c): action level of lead 0.015 mg/L, i.e. 15 ppb"),
        ("15", "ppb", 15.0, "40 CFR 141.80(c), as it is spoken of"),
        ("0.010", "mg/L", 10.0, "40 CFR 141.2 and 89 FR 86418: action level from 2027"),
        ("1.3", "mg/L", 1300.0, "40 CFR 141.80(c): action level of copper"),
        ("1.3", "ppm", 1300.0, "1 mg in 1 L of water of 1 kg/L is 1 ppm by mass"),
        ("0.005", "mg/L", 5.0, "40 CFR 141.89(a)(1)(ii): practical quantitation level of lead"),
        ("1", "mg/L", 1000.0, "BIPM SI Brochure 9th ed., table 7: milli is 1000 micro"),
        ("1", "ug/L", 1.0, "the unit itself"),
    ],
)
def test_published_levels(text, unit, ug_l, source):
    assert parse_result(text, unit).value_ug_l == ug_l, source


def test_action_level_on_file_is_the_converted_one():
    level = fact("lead.action_level.LCRR")
    assert level.unit == "ug/L"
    assert parse_result("0.015", "mg/L").value_ug_l == level.value


@pytest.mark.parametrize("unit", ["mg/L", "MG/L", " mg / l ", "mg/l", "ppm", "PPM"])
def test_spellings_of_mg_l(unit):
    assert parse_result("0.0154", unit).value_ug_l == 15.4


@pytest.mark.parametrize(
    "unit", ["ug/L", "UG/L", "\u00b5g/L", "\u03bcg/l", "mcg/L", "ppb", " PPB ", "ug /L"]
)
def test_spellings_of_ug_l(unit):
    assert parse_result("15.4", unit).value_ug_l == 15.4


@pytest.mark.parametrize("unit", ["", None, "g/L", "ng/L", "mg", "L", "ppt", "mol/L", "\u00b5g"])
def test_other_units_are_not_read(unit):
    reading = parse_result("15.4", unit)
    assert math.isnan(reading.value_ug_l)
    assert reading.reason == "the unit of the result is not known."


@given(st.decimals(min_value=0, max_value=1000, allow_nan=False, allow_infinity=False, places=7))
def test_conversion_is_exact_in_decimals(number):
    exact = Fraction(number) * 1000
    assert parse_result(format(number, "f"), "mg/L").value_ug_l == float(exact)


@pytest.mark.parametrize(
    ("text", "limit", "limit_ug_l"),
    [
        ("<1", None, 1.0),
        ("< 1.0", None, 1.0),
        (" <1.0", 2, 1.0),
        ("\t<\u00a0.5 ", None, 0.5),
        ("<=2", None, 2.0),
        ("\u22642", None, 2.0),
        ("ND", 1, 1.0),
        ("nd", "1.0", 1.0),
        ("N.D.", 0.5, 0.5),
        ("Non-Detect", 0.5, 0.5),
        ("not detected", 0.5, 0.5),
        ("BDL", 0.5, 0.5),
        ("<MDL", 0.5, 0.5),
        ("0.4", 0.5, 0.5),
        ("0", 0.5, 0.5),
    ],
)
def test_below_the_limit(text, limit, limit_ug_l):
    reading = parse_result(text, "ug/L", limit)
    assert reading.below_limit
    assert reading.limit_ug_l == limit_ug_l
    assert math.isnan(reading.value_ug_l)
    assert reading.reason == ""


@pytest.mark.parametrize(
    ("text", "limit", "value"),
    [
        ("2.4", None, 2.4),
        ("2.", 1, 2.0),
        (".5", None, 0.5),
        ("1.2E-3", None, 0.0012),
        ("1", 1, 1.0),
    ],
)
def test_measured(text, limit, value):
    reading = parse_result(text, "ug/L", limit)
    assert (reading.value_ug_l, reading.below_limit, reading.reason) == (value, False, "")
    assert math.isnan(reading.limit_ug_l) if limit is None else reading.limit_ug_l == limit


@pytest.mark.parametrize(
    "text",
    [
        "1..03",
        "7.74^",
        "7.7\u00b2",
        "1,2",
        "1,200",
        "TNTC",
        "-1",
        "\u22121",
        "+-1",
        "1.2.3",
        "1 2",
        "1O",
        "l.5",
        "~1.5",
        "1.5*",
        "1.5 J",
        "1.5 ug/L",
        ">100",
        "<",
        "<<1",
        "<-1",
        "<0",
        "<1,0",
        "1<",
        "1-2",
        "nan",
        "inf",
        "1e999",
        "1e20",
        "0x10",
        "\u0661",
        "\uff11",
        "\u00bd",
        "ND1",
        "see note",
        "",
        "   ",
        None,
        "9" * 5000,
    ],
)
def test_what_is_never_guessed(text):
    reading = parse_result(text, "ug/L", 1)
    assert math.isnan(reading.value_ug_l)
    assert math.isnan(reading.limit_ug_l)
    assert not reading.below_limit
    assert reading.reason
    assert reading.remedy


@pytest.mark.parametrize("limit", [None, "", "x", 0, -1, float("nan"), float("inf"), "1e99"])
def test_nd_needs_a_limit(limit):
    assert parse_result("ND", "ug/L", limit).reason == (
        "the result is below a detection limit that is not given."
    )


@settings(max_examples=500, deadline=None)
@given(
    text=st.one_of(
        st.none(),
        st.text(max_size=30),
        st.from_regex(r"[<>=~ ]{0,2}[0-9.,eE+-]{0,12}[*^JUu ]{0,2}", fullmatch=True),
    ),
    unit=st.one_of(st.none(), st.sampled_from(["ug/L", "mg/L", "ppb", "ppm"]), st.text(max_size=6)),
    limit=st.one_of(st.none(), st.floats(), st.text(max_size=8)),
)
@example("1e99", "mg/L", 1e308)
@example("<1e-99", "ug/L", 5e-324)
def test_any_text_gives_a_sound_reading_or_a_reason(text, unit, limit):
    reading = parse_result(text, unit, limit)
    if reading.reason:
        assert reading.remedy
        assert math.isnan(reading.value_ug_l)
        assert not reading.below_limit
        return
    assert parse_unit(unit) is not None
    if reading.below_limit:
        assert math.isnan(reading.value_ug_l)
        assert 0 < reading.limit_ug_l <= 1e9
    else:
        assert 0 <= reading.value_ug_l <= 1e9
        assert reading.value_ug_l == float(
            Decimal(text.strip()) * (1000 if parse_unit(unit) in ("mg/L", "ppm") else 1)
        )


def test_samples_alone(tmp_path):
    path = tmp_path / "lab.csv"
    path.write_text(
        "kit_id,draw,analyte,result,unit,detection_limit\n"
        "B,first,lead,0.0154,mg/L,0.001\nA,flushed,copper,<20,\u00b5g/L,\nA,first,lead,ND,ppb,1\n",
        encoding="utf-8",
    )
    table = read_samples(path)
    assert table["kit_id"].tolist() == ["A", "A", "B"]
    assert table["below_limit"].tolist() == [True, True, False]
    assert table["limit_ug_l"].tolist() == [1.0, 20.0, 1.0]
    np.testing.assert_array_equal(table["value_ug_l"], [np.nan, np.nan, 15.4])


def lab_file(units, sizes, *, seed=1):
    """Return kits and samples of some batches; sizes are the medians as printed."""
    rng = np.random.default_rng(seed)
    kits, rows = [], []
    for batch, (unit, size, count) in enumerate(zip(units, *zip(*sizes, strict=True), strict=True)):
        for number in range(count):
            kit = f"B{batch}N{number}"
            kits.append(f"{kit},0001,2024-{batch + 1:02}-05,,,,")
            value = size * np.exp(rng.normal(0, np.log(4)))
            rows.append(f"{kit},first,lead,{value:.6g},{unit},")
    head = "kit_id,parcel_id,received_on,stagnation_h,flush_min,tap,signed\n"
    sample_head = "kit_id,draw,analyte,result,unit,detection_limit\n"
    return head + "\n".join(kits), sample_head + "\n".join(rows)


def doubted(small_city, units, sizes, **city):
    """Return the rows that are doubted, by batch, and the results used."""
    kits, samples = lab_file(units, sizes)
    intake = read_city(
        small_city({"city": city}, kits=kits, samples=samples, leave_out=("answers",))
    )
    batch = [row.split("N")[0] for row in samples.split("\n")[1:]]
    found = pd.Series([batch[int(p.row) - 1] for p in intake.problems if p.column == "unit"])
    return found.value_counts().to_dict(), intake


def test_batch_in_mg_l_filed_as_ug_l_is_asked_about(small_city):
    found, intake = doubted(small_city, ["ug/L", "ug/L", "ug/L"], [(4, 40), (4, 40), (0.004, 20)])
    assert found == {"B2": 20}
    assert intake.counts["samples"]["quarantined"] == 20
    assert intake.city.samples["value_ug_l"].median() == pytest.approx(4, rel=0.5)


def test_batch_in_ug_l_filed_as_mg_l_is_asked_about(small_city):
    found, intake = doubted(small_city, ["ug/L", "mg/L"], [(4, 40), (4, 20)])
    assert found == {"B1": 20}
    assert "may be in ug/L" in intake.problems[0].reason


def test_file_wholly_in_mg_l_filed_as_ug_l_is_asked_about(small_city):
    kits, samples = lab_file(["ug/L"], [(0.004, 30)])
    from linemap.errors import InputError

    settings_ = small_city(kits=kits, samples=samples, leave_out=("answers",))
    with pytest.raises(InputError, match=r"none of the 30 rows can be used.*may be in mg/L"):
        read_city(settings_)


def test_confirmed_units_are_used_and_noted(small_city):
    found, intake = doubted(
        small_city,
        ["ug/L", "ug/L"],
        [(4, 40), (0.004, 20)],
        units_confirmed=True,
    )
    assert found == {"B1": 20}
    assert {p.effect for p in intake.problems} == {"note"}
    assert intake.counts["samples"] == {"rows_in": 60, "used": 60, "quarantined": 0, "cells": 0}


@pytest.mark.parametrize("seed", range(5))
def test_true_batches_are_not_doubted(small_city, seed):
    """Corrosion control that brings lead from 15 to 0.5 ug/L is no reason to doubt."""
    kits, samples = lab_file(["ug/L", "mg/L", "ppb"], [(15, 40), (0.004, 40), (0.5, 40)], seed=seed)
    intake = read_city(small_city(kits=kits, samples=samples, leave_out=("answers",)))
    assert [p for p in intake.problems if p.column == "unit"] == []


@pytest.mark.parametrize(
    ("sizes", "unit"), [([(30, 60), (0.03, 20)], "mg/L"), ([(0.06, 60), (60, 20)], "ug/L")]
)
def test_batch_is_held_against_the_others(small_city, sizes, unit):
    """No single result is out of reach here: only the ratio of the medians tells."""
    rng = np.random.default_rng(4)
    kits = ["kit_id,parcel_id,received_on"]
    samples = ["kit_id,draw,analyte,result,unit,detection_limit"]
    for month, (size, count) in enumerate(sizes, start=1):
        for number in range(count):
            kits.append(f"M{month}N{number},0001,2024-{month:02}-05")
            value = size * rng.uniform(0.8, 1.2)
            samples.append(f"M{month}N{number},first,lead,{value:.5f},ug/L,")
    intake = read_city(
        small_city(kits="\n".join(kits), samples="\n".join(samples), leave_out=("answers",))
    )
    assert len(intake.problems) == 20
    assert all(f"it may be in {unit}" in p.reason for p in intake.problems)
    assert intake.city.samples["kit_id"].str.startswith("M1").all()
