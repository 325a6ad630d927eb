"""Reading two bottles, volumes and local thresholds against published figures."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.published import fact
from linemap.water import (
    PairModel,
    flush_reach,
    inside_diameter,
    likelihood_ratios,
    line_volume,
    ratio_interval,
    read_pair,
    replacement_due,
    set_aside,
    update_odds,
)


@pytest.mark.parametrize(
    ("sensitivity", "specificity", "prior", "ppv", "npv"),
    [
        (0.81, 0.90, 0.05, 0.299, 0.989),
        (0.81, 0.90, 0.20, 0.669, 0.950),
        (0.81, 0.90, 0.50, 0.890, 0.826),
        (0.73, 0.95, 0.20, 0.785, 0.934),
        (0.88, 0.42, 0.483, 0.586, 0.789),
    ],
)
def test_bayes_rows(sensitivity, specificity, prior, ppv, npv):
    """Sensitivities of a 2025 ES&T Letters study, of Smart et al. 2023 and of a well screen in
    Illinois (58.6 and 78.9 %, printed there as 58 and 80); posteriors by Bayes' rule."""
    low, high = likelihood_ratios(sensitivity, specificity)
    assert update_odds(prior, high) == pytest.approx(ppv, abs=6e-4)
    assert 1 - update_odds(prior, low) == pytest.approx(npv, abs=6e-4)


def test_bennington_confusion_matrix_gives_the_sensitivity_on_file():
    """Smart et al. 2023, Water Research: 99 lead and 60 other lines, 73 % and 95 %."""
    tp, fn, fp, tn = 72, 27, 3, 57
    assert round(tp / (tp + fn), 2) == fact("water.reading.flushed_sensitivity").value
    assert round(tn / (tn + fp), 2) == fact("water.reading.flushed_specificity").value
    assert (tp + tn) / (tp + fn + fp + tn) == pytest.approx(0.811, abs=5e-4)


def test_no_pair_moves_the_odds_further_than_bennington():
    """LR+ 14.6 and LR- 0.284 from 73 % and 95 %."""
    least, greatest = PairModel().bounds()
    assert greatest == pytest.approx(14.6, abs=0.05)
    assert least == pytest.approx(0.284, abs=5e-4)
    assert read_pair(900.0, 900.0).line_ratio == pytest.approx(greatest)
    assert read_pair((0, 0.001), (0, 0.001)).line_ratio == pytest.approx(least)
    assert update_odds(0.2, read_pair((0, 1), (0, 0.001)).line_ratio) == pytest.approx(
        1 - 0.934, abs=6e-4
    )


@pytest.mark.parametrize(
    ("first", "flushed", "low", "high"),
    [((6, 6), (0, 2), 3.0, np.inf), ((0, 1), (4, 4), 0.0, 0.25), ((6, 6), (4, 4), 1.5, 1.5)],
)
def test_ratio_with_a_non_detect_is_an_interval(first, flushed, low, high):
    """Never value / (limit / 2): the ratio of 6 and below 2 is 3 or more, not 6."""
    found = ratio_interval(*first, *flushed)
    assert (found[0].item(), found[1].item()) == (low, high)


@pytest.mark.parametrize(
    ("pipe", "nominal", "litres_per_metre", "litres_per_foot"),
    [
        ("lead", 0.5, 0.127, 0.0386),
        ("lead", 0.625, 0.198, 0.0603),
        ("lead", 0.75, 0.285, 0.0869),
        ("lead", 1.0, 0.507, 0.154),
        ("copper L", 0.5, 0.1505, 0.0459),
        ("copper L", 0.75, 0.312, 0.0952),
        ("copper K", 0.75, 0.281, 0.0857),
        ("copper K", 1.0, 0.502, 0.153),
    ],
)
def test_water_held_by_pipes(pipe, nominal, litres_per_metre, litres_per_foot):
    """Geometry on standard inside diameters of copper tube and on the bore of lead."""
    bore = inside_diameter(pipe, nominal)
    assert line_volume(bore, length_m=1) == pytest.approx(litres_per_metre, abs=5.1e-4)
    assert line_volume(bore, length_ft=1) == pytest.approx(litres_per_foot, abs=5.1e-4)


def test_volumes_of_whole_lines():
    assert line_volume(0.75, length_ft=50) == pytest.approx(4.34, abs=5e-3)
    assert line_volume(0.75, length_ft=25) == pytest.approx(2.17, abs=5e-3)
    with pytest.raises(ArgumentError, match="feet or in metres"):
        line_volume(0.75)
    with pytest.raises(ArgumentError, match="on file"):
        inside_diameter("lead", 3)


def test_one_or_two_minutes_may_run_past_a_short_line():
    """At 1.5 gal/min one minute is 5.7 L and two are 11.4 L; 25 ft of 3/4 in lead hold 2.17 L."""
    litres = float(fact("water.tap_flow").value) * 3.785411784
    found = flush_reach(pd.Series([1.0, 2.0]), 2.17, flow_l_min=litres, premise_l=2)
    assert found["flushed_low_l"].tolist() == pytest.approx([5.68, 11.36], abs=5e-3)
    assert found["reach"].tolist() == ["past the line", "past the line"]
    slow = flush_reach(pd.Series([1.0]), 4.34, flow_l_min=2.0, premise_l=2)
    assert slow["reach"].item() == "in the line"
    assert slow["share_low"].item() == 1.0
    wide = flush_reach(pd.Series([1.0, np.nan]), 4.34, flow_l_min=(1.0, 8.0), premise_l=2)
    assert wide["reach"].tolist() == ["not known", "not known"]


@pytest.mark.parametrize("ground", list(fact("water.set_aside_grounds").value))
def test_closed_list_of_grounds(ground):
    """Ala. Admin. Code 335-7-11-.09; 22 CCR 64677.5; 86 FR 4198."""
    pairs = pd.DataFrame({"kit_id": ["K"], "verdict": ["usable"], "reasons": [None]})
    assert set_aside(pairs, ["K"], ground=ground)["verdict"].item() == "not_usable"


def test_a_high_result_is_never_set_aside():
    pairs = pd.DataFrame({"kit_id": ["K"], "verdict": ["usable"], "reasons": [None]})
    with pytest.raises(ArgumentError, match="never invalid for being high"):
        set_aside(pairs, ["K"], ground="high result")


def test_replacement_sample():
    """Ala. Admin. Code 335-7-11-.09: 20 days or the end of the period, the later of them."""
    assert replacement_due(dt.date(2026, 6, 1), dt.date(2026, 6, 30)) == dt.date(2026, 6, 30)
    assert replacement_due(dt.date(2026, 6, 25), dt.date(2026, 6, 30)) == dt.date(2026, 7, 15)
