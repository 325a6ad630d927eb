"""A table made for reading carries units, intervals and a caution, and loses nothing."""

import pandas as pd
import pytest

import linemap as lm
from linemap.outputs.shown import INTERVALS
from linemap.tables import contract

SCORES = pd.DataFrame(
    {
        "parcel_id": ["A1", "A2", "A3"],
        "p_lead": [0.342, 0.9991, 0.5],
        "p_low": [0.2, 0.98, 0.05],
        "p_high": [0.51, 0.9999, 0.95],
        "weight_record": [-0.7, 2.0, float("nan")],
        "reason_1": ["<b>old</b>", None, "copper"],
    }
)


def test_an_estimate_is_shown_with_its_interval_and_a_weight_with_its_unit():
    shown = lm.show_table(SCORES, "scores", ["parcel_id", "p_lead", "weight_record"])
    assert list(shown.table) == [
        "parcel_id", "p_lead, 90% interval", "weight_record [log-odds]",
    ]  # fmt: skip
    assert shown.table.iloc[:, 1].tolist() == [
        "34% (20% to 51%)", ">99% (98% to >99%)", "50% (5% to 95%)",
    ]  # fmt: skip
    assert shown.table.iloc[:, 2].tolist() == ["-0.70", "+2.00", "–"]


@pytest.mark.parametrize("end", ["p_low", "p_high"])
def test_an_estimate_without_its_interval_is_refused(end):
    with pytest.raises(lm.ArgumentError, match=end):
        lm.show_table(SCORES.drop(columns=end), "scores", ["p_lead"])


def test_every_interval_of_the_contracts_is_known():
    for table in ("scores", "area_list"):
        ends = {name for name in contract(table) if name.split("_")[-1] in ("low", "high")}
        known = {e for name, pair in INTERVALS.items() if name in contract(table) for e in pair}
        assert ends == known


def test_rows_that_are_not_shown_are_counted_and_the_caution_stays():
    for text in (repr(lm.show_table(SCORES, "scores", rows=2)),
                 lm.show_table(SCORES, "scores", rows=2)._repr_html_()):  # fmt: skip
        assert "First 2 of 3 rows" in text
        assert "never sets or changes an inventory class" in text
        assert "A3" not in text


def test_text_from_files_cannot_become_markup():
    assert "<b>" not in lm.show_table(SCORES, "scores")._repr_html_()
    assert "&lt;b&gt;" in lm.show_table(SCORES, "scores")._repr_html_()
