"""No high result may be lost with the row that it stands in."""

import numpy as np
import pytest

from linemap.errors import InputWarning
from linemap.intake import read_city, read_samples
from linemap.inventory import classify_lines
from linemap.water import check_kits, high_results

KITS = """K3,0003,2024-03-05,2024-03-06,8,no,yes
K4,0004,2024-03-05,2024-03-06,8,no,yes
K5,nowhere,2024-03-05,2024-03-06,8,no,yes
"""
# kit: its rows, what the list of high results must say [ug/L], verdict of the kit
ROWS = {
    "K2": ("K2,first,lead,80,ug/L,1\n", 80.0, "not_usable"),
    "K3": ("K3,first,lead,>50,ug/L,1\nK3,flushed,lead,3,ug/L,1\n", 50.0, "usable_with_doubt"),
    "K4": ("K4,F,lead,22,ug/L,1\nK4,flushed,lead,3,ug/L,1\n", 22.0, "usable_with_doubt"),
    "K5": ("K5,first,lead,70,ug/L,1\n", 70.0, None),
    "K6": ("K6,first,lead,75 H,ug/L,1\n", 75.0, None),
    "": (",first,lead,33,ug/L,1\n", 33.0, None),
}


def listed(intake):
    city = intake.city
    pairs = check_kits(city.kits, city.samples, doubts=city.doubts)
    high = high_results(pairs, city.kits, city.parcels, city.samples, city.lost_lead)
    lead = dict(zip(high["kit_id"].fillna(""), high["lead_ug_l"], strict=True))
    return lead, dict(zip(pairs["kit_id"], pairs["verdict"], strict=True)), pairs, high


@pytest.mark.parametrize("order", [1, -1])
def test_every_high_number_of_the_file_is_on_the_list(small_city, order):
    rows = "".join(text for text, _, _ in list(ROWS.values())[::order])
    intake = read_city(small_city(samples=lambda t: t + rows, kits=lambda t: t + KITS))
    lead, verdicts, pairs, high = listed(intake)
    # 12.1 and 15.4 ug/L of K1 are in the small city as it is.
    assert lead == {"K1": 15.4} | {kit: most for kit, (_, most, _) in ROWS.items()}
    for kit, (_, _, verdict) in ROWS.items():
        assert verdicts.get(kit) == verdict, kit
    reasons = pairs.set_index("kit_id")["reasons"]
    assert "two different results for one bottle" in reasons["K2"]
    assert np.isnan(pairs.set_index("kit_id").loc["K2", "first_low"])
    assert high["why"].str.startswith(("tell the resident", "find out at once")).all()
    for name, count in intake.counts.items():
        assert count["rows_in"] == count["used"] + count["quarantined"], name
    aside = [p for p in intake.problems if p.table == "samples" and p.effect == "row"]
    assert len(aside) == 5
    assert all("It may hold more than 10 ug/L of lead" in p.reason for p in aside)


@pytest.mark.parametrize("first", ["lead", "copper"])
def test_lead_that_one_of_two_checks_of_a_day_saw_is_not_lost(small_city, first):
    second = {"lead": "copper", "copper": "lead"}[first]
    rows = "".join(f"0004,utility,2024-06-01,{seen},random\n" for seen in (first, second))
    city = read_city(small_city(checks=lambda t: t + rows)).city
    classes = classify_lines(city.lines, city.checks, city.parcels.index)
    assert classes.loc["0004", "inventory_class"] == "lead"


def test_copper_limits_and_low_results_are_not_taken_for_high_lead(small_city):
    rows = (
        "K9,first,copper,900,ug/L,1\nK9,flushed,Cu,900,ug/L,1\nK9,first,lead,<50?,ug/L,1\n"
        "K9,flushed,lead,5*,ug/L,1\nK9,first,lead,lost,ug/L,1\n"
    )
    intake = read_city(small_city(samples=lambda t: t + rows))
    assert set(listed(intake)[0]) == {"K1"}
    assert not [p for p in intake.problems if "It may hold" in p.reason]


def test_a_laboratory_file_alone_warns_of_it_too(tmp_path):
    text = "kit_id,draw,analyte,result,unit,detection_limit\nK1,first,lead,%s,ug/L,1\n"
    (tmp_path / "lab.csv").write_text(text % ">50" + "K1,flushed,lead,2,ug/L,1\n")
    with pytest.warns(InputWarning, match="It may hold more than 10 ug/L of lead"):
        assert len(read_samples(tmp_path / "lab.csv")) == 1


def test_a_kit_that_was_only_mailed_is_of_its_home(small_city):
    """Its one laboratory row was set aside; the table of kits knows whose it is."""
    intake = read_city(
        small_city(
            samples=lambda t: t + "K7,third,lead,80,ug/L,1\n",
            kits=lambda t: t + "K7,0003,,,,,\n",
        )
    )
    lead, verdicts, _, high = listed(intake)
    assert lead["K7"] == 80.0
    assert "K7" not in verdicts
    row = high.set_index("kit_id").loc["K7"]
    assert row["parcel_id"] == "0003"
    assert row["why"].startswith("tell the resident without delay")


@pytest.mark.parametrize(
    ("result", "unit"),
    [("1.2 mg/L", ""), ("1.2", "mg/L as Pb"), ("1.2 mg/L", "ug/L"), ("1.2", "ppm.")],
)
def test_milligrams_in_an_odd_place_are_milligrams(small_city, result, unit):
    rows = f"K8,first,lead,{result},{unit},1\n"
    intake = read_city(small_city(samples=lambda t: t + rows))
    assert listed(intake)[0]["K8"] == 1200.0
