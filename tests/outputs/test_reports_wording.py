"""What planners, residents and managers read: numbers of one form, no codes, sound reasons."""

import dataclasses
import re

import pandas as pd
import pytest

from linemap.outputs.lists import write_route_sheets
from linemap.outputs.reports import write_reports
from linemap.outputs.reports.kits_by_area import why_kits_differ
from linemap.outputs.reports.methods import MEASURE_NAMES
from linemap.outputs.reports.staff_report import promise, said_once
from linemap.outputs.reports.witness_words import witness_words

PAGES = ("staff/report.html", "public/report.html", "methods.html", "lists/routes.html")
SPACED_PERCENT = re.compile(r"\d %")
NO_COMMA = re.compile(r"(?<![\d.,:-])\d{4,}(?= (homes|checks|kits|results|lines)\b)|n = \d{4}")
HEDGED_PLURAL = re.compile(r"\w\(s\)")
NARROW = re.compile(r"<style.*?</style>|<svg.*?</svg>|<[^>]+>", re.DOTALL)


@pytest.fixture(scope="module")
def texts(sample_run):
    return {
        name: " ".join(NARROW.sub(" ", (sample_run / name).read_text("utf-8")).split())
        for name in PAGES
    }


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("form", [SPACED_PERCENT, NO_COMMA, HEDGED_PLURAL])
def test_numbers_have_one_form(texts, name, form):
    found = form.search(texts[name])
    assert found is None, texts[name][max(0, found.start() - 40) : found.end() + 40]


def test_forms_would_be_found_where_they_stand():
    assert SPACED_PERCENT.search("about 12 % of homes")
    assert NO_COMMA.search("n = 1158, interpolate")
    assert NO_COMMA.search("1158 results")
    assert not NO_COMMA.search("1,158 results of 2026-11-25")
    assert HEDGED_PLURAL.search("2 kit(s)")


def test_every_probability_and_reason_of_the_scores_has_that_form(sample_run):
    table = pd.read_csv(sample_run / "scores.csv")
    reasons = pd.concat([table[f"reason_{k}"] for k in (1, 2, 3)]).dropna()
    assert not reasons.str.contains(r"\d %").any()
    assert not reasons.str.contains(r"\b(?:about )?(?:0|100)%").any()


def test_measures_are_named_in_words(texts, sample_run):
    """A code stands only after its name, for those who open the tables."""
    codes = set(pd.read_csv(sample_run / "evaluation" / "measures.csv")["measure"])
    codes |= set(pd.read_csv(sample_run / "evaluation" / "baselines.csv")["measure"])
    assert codes <= set(MEASURE_NAMES)
    for code in codes:
        assert len(re.findall(rf"\b{code}\b", texts["methods.html"])) == len(
            re.findall(rf"In the tables: {code}\b", texts["methods.html"])
        )
    assert "lift at 5pct" not in texts["methods.html"]


def test_the_staff_report_promises_what_a_round_would_freeze(texts, sample_run):
    from linemap import Run, prioritize

    frozen = prioritize(Run(sample_run)).forecast.iloc[0]
    for name in ("returned", "found"):
        ends = f"95% interval {frozen[f'{name}_low']:,.0f} to {frozen[f'{name}_high']:,.0f}"
        assert texts["staff/report.html"].count(ends) >= 2


def test_a_promise_without_forecast_gives_whole_numbers():
    said = promise({"expected_returns": 149.2, "expected_finds": 110.9})
    assert said == "149 usable ones and 111 lead lines found are expected"


def test_a_note_on_a_method_is_said_once():
    draw = {
        "why": "44% of results lie below a limit: no shape. Kaplan-Meier: an upper "
        "figure; at zero it is 3. Kaplan-Meier: few results.",
        "methods": [
            {"method": "Kaplan-Meier", "note": "an upper figure; at zero it is 3; few results"},
            {"method": "robust ROS", "note": ""},
        ],
    }
    assert said_once(draw)["why"] == "44% of results lie below a limit: no shape."
    assert draw["why"].endswith("few results.")


def test_every_interval_in_the_areas_is_named(texts):
    report = texts["staff/report.html"]
    assert re.search(r"Rank 90% interval", report)
    assert "Expected lead lines 90% interval" in report
    assert "of homes sent a kit, 95% interval" in report
    assert re.search(r"\d\.\d% \d+% \d+% to \d+% ", report), "tested, then usable returns"
    assert "Kits to lead 95% interval" in report


def areas(kits=(2, 9)):
    return pd.DataFrame(
        {
            "area_id": ["A", "B"],
            "name": ["Rowan Side", "Bay"],
            "rank": [1, 2],
            "kits_suggested": kits,
            "return_rate": [0.29, 0.47],
            "may_be_sent": [1440.0, 616.0],
            "in_reach": [1.0, 8.0],
        }
    )


KITS = pd.DataFrame(
    {"area_id": ["A", "A", *"B" * 9], "arm": ["ranked", "audit", *["ranked"] * 8, "floor"]}
)


def test_the_report_says_why_the_first_area_gets_fewer_kits():
    said = why_kits_differ(areas(), KITS, aim="most_lead")
    assert "Rowan Side comes first by expected lead lines and gets 2 of the 11 kits" in said
    assert "29% returned a usable one; in Bay 47%" in said
    known = areas().assign(return_rate_low=[0.2, 0.4], return_rate_high=[0.4, 0.55])
    said = why_kits_differ(known, KITS, aim="most_lead")
    assert "29% (95% interval 20% to 40%) returned a usable one; in Bay 47% (95%" in said
    assert "1 of the 1,440 homes in Rowan Side that may be sent a kit reach it, 8 of 616" in said
    assert "1 reached it, 0 keep the floors and 1 were drawn at random" in said


def test_nothing_is_explained_where_the_first_area_gets_the_most():
    assert why_kits_differ(areas(kits=(9, 2)), KITS, aim="most_lead") == ""
    assert why_kits_differ(areas().iloc[:0], KITS, aim="most_lead") == ""


def test_unknown_figures_are_left_out_of_the_reason():
    bare = areas().drop(columns=["return_rate", "may_be_sent", "in_reach"])
    said = why_kits_differ(bare, KITS, aim="most_lead")
    assert "gets 2 of the 11 kits" in said
    assert "nan" not in said
    assert "returned a usable" not in said


def test_the_sentence_stands_in_the_report(findings, tmp_path):
    few = findings.area_list.assign(kits_suggested=[1, 2])
    write_reports(dataclasses.replace(findings, area_list=few), tmp_path)
    text = (tmp_path / "staff" / "report.html").read_text("utf-8")
    assert "Why the order of areas is not the order of kits" in text


def test_distances_of_the_model_are_left_to_the_methods_page():
    place = {"kind": "streets", "units": 3, "range_m": 500.0, "sd": 1.0, "shift": 0}
    full = dict(witness_words({"place": place}))["Place"]
    short = dict(witness_words({"place": place}, distances=False))["Place"]
    assert "about 500 m" in " ".join(full)
    assert not re.search(r"\d m\b", " ".join(short))


def test_the_route_sheet_explains_its_words(findings, tmp_path):
    path = tmp_path / "routes.html"
    write_route_sheets(findings.kit_list, path, city="Alder Falls", as_of=findings.as_of)
    text = path.read_text("utf-8")
    assert "never swap it for another home" in text
    for code, word in {"ranked": "chosen", "floor": "fair share", "audit": "random"}.items():
        assert f"<td>{code}</td>" not in text
        assert f"<td>{word}</td>" in text
        assert f"<dt>{word}</dt>" in text
