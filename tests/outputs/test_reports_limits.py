"""What the data cannot tell follows from the tables, one case at a time."""

import pandas as pd
import pytest

from linemap.outputs.reports import limits_of_data

CLASSES = ["lead", "non-lead", "lead status unknown"]


def city(**changes):
    """Forty homes in two areas about which there is nothing to complain."""
    ids = [f"H{k}" for k in range(40)]
    index = pd.Index(ids, name="parcel_id")
    scores = pd.DataFrame(
        {"area_id": ["A"] * 20 + ["B"] * 20, "beyond_data": False, "weight_record": 1.0},
        index=index,
    ).assign(weight_answers=0.0, weight_water=0.0, weight_check=0.0)
    classes = pd.DataFrame(
        {
            "basis": ["field check", "city record"] * 20,
            "inventory_class": ["lead", "non-lead"] * 20,
        },
        index=index,
    )
    base = {
        "scores": scores,
        "classes": classes,
        "areas": pd.DataFrame({"area_id": ["A", "B"], "name": ["Old Town", "Harbour"]}),
        "year_built": pd.Series([1900.0, 1950.0] * 20, index=index),
        "pairs": pd.DataFrame({"parcel_id": ids[:24], "verdict": "usable"}),
        "fairness": pd.DataFrame(),
        "model": {
            "sources": ["record", "check"],
            "witnesses": {"check": {"why": {"random": 40}}},
        },
        "water": {"control": {"value": 3.0}},
        "labels": "checks",
    }
    record = classes.index[classes["basis"] == "city record"]
    classes.loc[record[:10], "inventory_class"] = "lead"
    return {**base, **changes}


def only(found: list[str]) -> str:
    assert len(found) == 1, found
    return found[0]


def test_a_city_without_faults_has_no_limits():
    assert limits_of_data(**city()) == []


def test_areas_where_nobody_looked_are_named_and_counted():
    made = city()
    made["classes"].loc[made["scores"]["area_id"] == "B", "basis"] = "city record"
    made["classes"]["inventory_class"] = ["lead", "non-lead"] * 20
    text = only(limits_of_data(**made))
    assert "1 area of 2 (Harbour; 20 homes)" in text


def test_many_unchecked_areas_are_cut_short():
    made = city()
    made["scores"]["area_id"] = [f"N{k // 2:02d}" for k in range(40)]
    made["classes"]["basis"] = "city record"
    made["classes"]["inventory_class"] = ["lead", "non-lead"] * 20
    text = only(limits_of_data(**made))
    assert "20 areas of 20" in text
    assert "and 14 more" in text


def test_homes_beyond_the_data_are_counted():
    made = city()
    made["scores"].iloc[:3, made["scores"].columns.get_loc("beyond_data")] = True
    text = only(limits_of_data(**made))
    assert "3 homes are beyond the data (7.5%)" in text


def test_homes_without_any_evidence_of_their_own_are_counted():
    made = city()
    made["scores"].iloc[:10, made["scores"].columns.get_loc("weight_record")] = 0.0
    text = only(limits_of_data(**made))
    assert "Of 10 homes (25%) nothing is known but building and place" in text


@pytest.mark.parametrize("how", [{"labels": "records"}, {"model": {"sources": ["record"]}}])
def test_labels_that_are_only_records(how):
    text = only(limits_of_data(**city(**how)))
    assert "agreement with the record" in text


def test_checks_chosen_by_suspicion_cannot_be_weighted_away():
    why = {"suspected": 30, "unknown": 1, "random": 9}
    model = {"sources": ["check"], "witnesses": {"check": {"why": why}}}
    text = only(limits_of_data(**city(model=model)))
    assert "Of 40 checked homes, 30 checks were made because lead was suspected" in text
    assert "1 check was made for a reason that nobody noted" in text
    assert "weighting cannot cure" in text
    assert "drawn at random can (9 so far)" in text


def test_a_list_of_known_lead_is_called_one_sided():
    made = city()
    made["classes"]["basis"] = ["field check"] + ["city record"] * 39
    made["classes"].loc[made["classes"].index[20], "basis"] = "field check"
    made["classes"]["inventory_class"] = "lead"
    text = only(limits_of_data(**made))
    assert "a list of known lead: 100% of its 38 named lines" in text


def test_a_record_that_never_names_lead_is_called_one_sided_too():
    made = city()
    made["classes"]["inventory_class"] = "non-lead"
    text = only(limits_of_data(**made))
    assert "hardly ever names lead (0.0% of 20 named lines)" in text


def test_no_control_homes():
    water = {"control": "only 2 homes known to have no lead line have a result; 20 are needed."}
    text = only(limits_of_data(**city(water=water)))
    assert text.startswith("There is no local level")
    assert "only 2 homes" in text


def fairness(ratio, low, high) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "group_by": ["owner_occupied", "income_third"],
            "group": ["no", "highest"],
            "testing_ratio": [ratio, 2.0],
            "testing_ratio_low": [low, 1.5],
            "testing_ratio_high": [high, 3.0],
        }
    )


def test_volunteers_unlike_the_city():
    text = only(limits_of_data(**city(fairness=fairness(0.31, 0.19, 0.49))))
    assert (
        "rented homes were tested 0.31 times as often as all others (95% interval 0.19 to 0.49)"
        in text
    )
    assert limits_of_data(**city(fairness=fairness(0.9, 0.7, 1.1))) == []


def test_volunteers_of_other_age():
    made = city()
    made["year_built"] = pd.Series([1950.0] * 24 + [1900.0] * 16, index=made["scores"].index)
    text = only(limits_of_data(**made))
    assert "50 years newer on average than the others (built 1950 against 1900)" in text


def test_inputs_are_left_alone():
    made = city()
    before = {k: v.copy() for k, v in made.items() if isinstance(v, pd.DataFrame)}
    limits_of_data(**made)
    for name, table in before.items():
        pd.testing.assert_frame_equal(made[name], table)
