"""Titles state the finding of data chosen so that the answer is obvious; nothing breaks."""

import itertools

import matplotlib.colors
import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb

from linemap.outputs import charts
from linemap.outputs.charts.canvas import DARK, LIGHT, MIDDLE


def title(figure) -> str:
    return charts.chart_title(figure)


def bins(promised, found, rows=20) -> pd.DataFrame:
    found = np.asarray(found, dtype=float)
    return pd.DataFrame(
        {
            "promised": promised,
            "found": found,
            "low": np.clip(found - 0.1, 0, 1),
            "high": np.clip(found + 0.1, 0, 1),
            "rows": rows,
        }
    )


def test_reliability_counts_the_groups_that_keep_their_promise():
    kept = charts.reliability_chart(bins([0.2, 0.5, 0.8], [0.2, 0.5, 0.8]))
    assert (
        title(kept)
        == "All 3 groups of homes with similar probability keep the promised rate of lead"
    )
    bold = charts.reliability_chart(bins([0.2, 0.5, 0.9], [0.2, 0.1, 0.1]))
    assert title(bold) == (
        "1 of 3 groups of homes with similar probability keep the promised rate of lead"
    )


def test_reliability_says_how_many_homes_a_dot_holds():
    table = bins([0.2, 0.8], [0.2, 0.8]).assign(rows=[20, 31])
    legend = charts.reliability_chart(table).legends[0]
    assert any("20 to 31 homes each" in text.get_text() for text in legend.get_texts())


def test_an_area_whose_homes_are_hidden_has_no_number_of_homes_in_the_title():
    areas = pd.DataFrame(
        {
            "name": ["Bb", "Cc"],
            "homes": [np.nan, 300.0],
            "expected_lead_lines": [30.0, 20.0],
            "low": [20.0, 10.0],
            "high": [40.0, 30.0],
        }
    )
    assert title(charts.expected_chart(areas)) == "Bb has the most expected lead lines: 30"
    shown = title(charts.expected_chart(areas.assign(homes=100.0)))
    assert shown == "Bb has the most expected lead lines: 30 among 100 homes"


def test_names_from_files_are_never_read_as_formulas():
    odd = "A $x_{ B$"
    areas = pd.DataFrame(
        {
            "name": [odd, "Cc"],
            "homes": [200.0, 300.0],
            "expected_lead_lines": [30.0, 20.0],
            "low": [20.0, 10.0],
            "high": [40.0, 30.0],
            "tested_share": [0.0, 0.5],
        }
    )
    parts = pd.DataFrame(
        {"name": [odd], "kits": [4], "found": [1.0], "found_low": [0.0], "found_high": [2.0]}
    )
    weights = pd.Series({"weight_prior": 1.0, "weight_place": -0.5})
    for figure in (
        charts.expected_chart(areas),
        charts.testing_gap_chart(areas),
        charts.claimed_chart(parts),
        charts.weights_chart(weights, p_lead=0.6, name=odd),
        charts.weights_chart(weights.head(0), p_lead=0.6, name=odd),
    ):
        for with_title in (True, False):
            svg = charts.figure_svg(figure, name="a chart", with_title=with_title)
        assert odd in charts.figure_svg(figure, name="a chart")
        assert svg.startswith("<svg")


def gain() -> pd.DataFrame:
    """The list finds twice the share it looks at, the age rule just that share."""
    looked = np.linspace(0, 1, 11)
    ours = pd.DataFrame({"looked": looked, "found": np.minimum(2 * looked, 1)})
    rule = pd.DataFrame({"looked": looked, "found": looked})
    return pd.concat([ours.assign(method="linemap"), rule.assign(method="age rule")])


def test_gain_reads_off_the_first_fifth():
    figure = charts.gain_chart(gain())
    assert title(figure) == "The first fifth of the list holds 40% of the lead; oldest first, 20%"
    lines = {line.get_label(): line for line in figure.axes[0].get_lines()}
    assert {"this list", "age rule", "at random"} <= set(lines)
    assert lines["this list"].get_linestyle() != lines["age rule"].get_linestyle()


def learning(values, rows=100) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "visible": [50, 100, 200],
            "method": "linemap",
            "measure": "auc",
            "value": values,
            "low": np.nan,
            "high": np.nan,
            "rows": rows,
        }
    )


def test_learning_says_from_where_to_where():
    figure = charts.learning_chart(learning([0.7, 0.75, 0.8]))
    assert title(figure) == "From 50 to 200 checks learned from, the ranking goes from 0.70 to 0.80"


def test_learning_on_few_homes_claims_nothing():
    figure = charts.learning_chart(learning([1.0, 1.0, 1.0], rows=4))
    assert title(figure) == "Too few checks for a learning curve"


@pytest.mark.parametrize(
    ("weights", "p", "most"),
    [
        ([1.0, -0.2, 3.0, 0.0, 0.0, 0.0], 0.98, "city record"),
        ([0.1, 0.0, 0.0, 0.0, -2.5, 0.0], 0.08, "water"),
    ],
)
def test_weights_name_what_decided_and_add_up(weights, p, most):
    parts = ["prior", "place", "record", "answers", "water", "check"]
    series = pd.Series(weights, index=[f"weight_{name}" for name in parts])
    figure = charts.weights_chart(series, p_lead=p, name="Home 7")
    assert title(figure) == f"Home 7: probability of lead {p:.0%}, decided most by the {most}"
    written = [text.get_text() for text in figure.axes[0].texts]
    assert written == [f"{value:+.2f}" for value in [*weights, sum(weights)]]
    ends = [bar.get_x() + bar.get_width() for bar in figure.axes[0].patches]
    assert ends[-2] == pytest.approx(ends[-1]) == pytest.approx(sum(weights))


def ages(start, mean, homes) -> pd.DataFrame:
    table = pd.DataFrame({"mean": mean, "homes": homes}, index=pd.Index(start, name="built_from"))
    return table.assign(low=0.5 * table["mean"], high=np.minimum(1.0, 1.2 * table["mean"]))


def test_age_names_the_peak_even_where_it_is_not_the_oldest():
    figure = charts.age_chart(ages([1900, 1920, 1940, 1960], [0.3, 0.2, 0.9, 0.05], 10))
    assert title(figure) == "Lead is most probable in homes built 1940 to 1944 (mean 90%, 10 homes)"
    assert "40 homes" in figure.axes[0].get_xlabel()


def test_age_leaves_out_groups_of_a_few_homes():
    few = ages([1900, 1950], [1.0, 0.2], [4, 6])
    assert "1950 to 1954 (mean 20%, 6 homes)" in title(charts.age_chart(few))


def pairs(first, flushed, verdict="usable") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "verdict": verdict,
            "first_low": [0.0 if value <= 1 else value for value in first],
            "first_high": first,
            "flushed_low": [0.0 if value <= 1 else value for value in flushed],
            "flushed_high": flushed,
        }
    )


def test_pairs_count_kits_not_bottles_and_leave_the_unusable_out():
    table = pd.concat([pairs([20, 3, 1], [30, 4, 1]), pairs([99.0], [99.0], "not_usable")])
    figure = charts.pair_chart(table, limit=15)
    assert title(figure) == "1 of 3 usable kits have a bottle above 15 ug/L"
    legend = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "both measured (2)" in legend
    assert "one or both below the laboratory's limit (1)" in legend


def test_a_result_at_the_limit_is_not_above_it():
    """40 CFR 141.80(c): the action level is exceeded when the value is greater than it."""
    figure = charts.pair_chart(pairs([15.0], [15.0]), limit=15)
    assert title(figure).startswith("0 of 1 usable kits")


def areas(lead, tested, homes=(100, 100)) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "name": ["North", "South"],
            "homes": homes,
            "expected_lead_lines": lead,
            "low": np.array(lead) * 0.9,
            "high": np.array(lead) * 1.1,
            "tested_share": tested,
        }
    )


def test_gap_names_the_area_that_tests_pass_by():
    figure = charts.testing_gap_chart(areas([75.0, 25.0], [0.1, 0.3]))
    assert title(figure) == "North holds 75% of the expected lead but 25% of the tested homes"


def test_gap_is_not_claimed_where_there_is_none():
    figure = charts.testing_gap_chart(areas([50.0, 50.0], [0.2, 0.2]))
    assert title(figure) == "Tests are spread over the areas as the expected lead is"


def test_expected_names_the_area_with_most():
    figure = charts.expected_chart(areas([20.0, 60.0], [0.1, 0.1], homes=(100, 2500)))
    assert title(figure) == "South has the most expected lead lines: 60 among 2,500 homes"


def test_expected_says_when_areas_are_left_out():
    many = pd.DataFrame(
        {"name": [f"N{k}" for k in range(30)], "homes": 50, "expected_lead_lines": range(30)}
    ).assign(low=0.0, high=40.0)
    assert "the first 15 of 30 areas" in charts.expected_chart(many).axes[0].get_xlabel()


def parts(found) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "name": ["whole list", "audit"],
            "kits": [100, 10],
            "found": [20.0, 1.0],
            "found_low": [12.0, 0.0],
            "found_high": [28.0, 3.0],
            "lead_found": found,
            "found_as_claimed": [12 <= found[0] <= 28, 0 <= found[1] <= 3],
        }
    )


def test_claimed_holds_what_was_found_against_the_forecast():
    figure = charts.claimed_chart(parts([5, 1]))
    assert title(figure) == "5 lead lines found, 20 claimed; 1 of 2 forecasts hold"
    names = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert names == ["whole list (100 kits)", "audit (10 kits)"]


def test_a_claim_that_open_answers_decide_is_not_judged():
    undecided = parts([5, 1]).assign(found_as_claimed=[None, True])
    assert title(charts.claimed_chart(undecided)) == (
        "5 lead lines found so far, 20 claimed; 1 of 1 forecasts hold; 1 cannot be judged yet"
    )
    assert title(charts.claimed_chart(parts([0, 0]).assign(found_as_claimed=None))) == (
        "0 lead lines found so far, 20 claimed; 2 cannot be judged yet"
    )


def test_claimed_of_an_open_round_claims_no_result():
    open_round = parts([5, 1]).drop(columns="lead_found")
    assert title(charts.claimed_chart(open_round)) == "20 lead lines claimed, before any result"


SHORT = {
    "reliability": lambda: charts.reliability_chart(bins([], [])),
    "reliability of NaN": lambda: charts.reliability_chart(bins([np.nan], [np.nan])),
    "gain": lambda: charts.gain_chart(gain().iloc[:0]),
    "gain without ours": lambda: charts.gain_chart(gain().query("method != 'linemap'")),
    "learning": lambda: charts.learning_chart(pd.DataFrame()),
    "learning, one row": lambda: charts.learning_chart(learning([0.7, 0.8, 0.9]).head(1)),
    "weights": lambda: charts.weights_chart(pd.Series(dtype=float), p_lead=0.5, name="H"),
    "age": lambda: charts.age_chart(ages([], [], [])),
    "age of a few": lambda: charts.age_chart(ages([1900], [0.5], [1])),
    "pairs": lambda: charts.pair_chart(pairs([], []), limit=15),
    "gap": lambda: charts.testing_gap_chart(areas([1.0, 2.0], [0.1, 0.1]).iloc[:0]),
    "gap without tests": lambda: charts.testing_gap_chart(areas([1.0, 2.0], [0.0, 0.0])),
    "expected": lambda: charts.expected_chart(areas([np.nan, np.nan], [0.1, 0.1])),
    "claimed": lambda: charts.claimed_chart(parts([1, 1]).iloc[:0]),
}


@pytest.mark.parametrize("make", SHORT.values(), ids=SHORT.keys())
def test_too_little_to_draw_says_so(make):
    figure = make()
    assert title(figure)
    assert "nan" not in title(figure)
    svg = charts.figure_svg(figure, name="x")
    assert svg.startswith("<svg")
    assert figure.axes[0].get_lines() == []


def luminance(colour) -> float:
    """Relative luminance, WCAG 2.2, section "relative luminance"."""
    rgb = np.array(to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_the_three_colours_differ_in_grey():
    """Contrast of at least 1.8 to 1 between any two, so they are told apart without hue."""
    shades = sorted(luminance(colour) for colour in (DARK, MIDDLE, LIGHT))
    ratios = [(b + 0.05) / (a + 0.05) for a, b in itertools.pairwise(shades)]
    assert min(ratios) > 1.8


def test_positive_and_negative_weights_differ_in_grey():
    figure = charts.weights_chart(pd.Series({"a": 1.0, "b": -1.0}), p_lead=0.5, name="H")
    up, down, total = figure.axes[0].patches
    light, dark = luminance(down.get_facecolor()), luminance(up.get_facecolor())
    assert (light + 0.05) / (dark + 0.05) > 3
    assert total.get_hatch() == "//"
    assert matplotlib.colors.same_color(up.get_edgecolor(), "black")


def test_the_same_chart_gives_the_same_bytes_and_keeps_its_title():
    figure = charts.gain_chart(gain())
    first = charts.figure_svg(figure, name="a < b")
    assert first == charts.figure_svg(charts.gain_chart(gain()), name="a < b")
    assert 'aria-label="a &lt; b"' in first
    bare = charts.figure_svg(figure, name="a", with_title=False)
    assert "first fifth" not in bare
    assert "first fifth" in title(figure)
    assert "<metadata" not in bare


@pytest.mark.parametrize("name", [name for name in charts.__all__ if name.endswith("_chart")])
def test_every_chart_says_what_it_shows_and_how_to_read_it(name):
    words = " ".join(getattr(charts, name).__doc__.split())
    assert "What it shows:" in words
    assert "How to read it:" in words
