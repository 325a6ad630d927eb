"""The pages of a run: findings as headings, nothing raw, nothing foreign, nothing missing."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

from linemap.outputs.reports import write_reports
from linemap.outputs.reports.headings import (
    fair_heading,
    kits_heading,
    right_heading,
    rounds_heading,
    rows_heading,
    water_heading,
    where_heading,
)
from linemap.outputs.reports.staff_report import (
    expected_by_class,
    high_in_words,
    looks_by_kind,
    measure_table,
    prevalence_rows,
)
from linemap.outputs.reports.witness_words import witness_words

PAGES = ("staff/report.html", "public/report.html", "methods.html")
RAW = re.compile(r"\b(nan|NaN|NaT|None|True|False|inf|float64|array|Timestamp)\b|\d\.\d{7,}")


@pytest.fixture(scope="session")
def run_pages(sample_run):
    return {name: (sample_run / name).read_text(encoding="utf-8") for name in PAGES}


def words(page) -> str:
    """Return the text of a page without styles and pictures."""
    for parent in list(page.iter()):
        for child in list(parent):
            if child.tag in ("style", "svg"):
                tail = child.tail
                child.clear()
                child.tail = tail
    return " ".join(" ".join(page.itertext()).split())


@pytest.mark.parametrize("name", PAGES)
def test_no_raw_value_is_printed(run_pages, read_html, name):
    found = RAW.search(words(read_html(run_pages[name])))
    assert found is None, found


@pytest.mark.parametrize("name", PAGES)
def test_a_page_needs_nothing_from_elsewhere(run_pages, read_html, name):
    page = read_html(run_pages[name])
    for item in page.iter():
        assert item.tag not in ("script", "link", "iframe", "img")
        assert not item.get("src")
        target = item.get("href", "")
        assert not target.startswith(("http", "//"))
    assert "url(http" not in run_pages[name]
    ids = [item.get("id") for item in page.iter() if item.get("id")]
    inside = [t for i in page.iter() if (t := i.get("href", "")).startswith("#") and i.tag == "a"]
    assert {target[1:] for target in inside} <= set(ids)


def test_links_of_the_staff_report_lead_to_files(sample_run, run_pages, read_html):
    page = read_html(run_pages["staff/report.html"])
    targets = {item.get("href") for item in page.iter("a")}
    files = {t for t in targets if not t.startswith("#")}
    assert {"map.html", "../lists/kits.xlsx", "../lists/routes.html"} <= files
    assert all((sample_run / "staff" / target).resolve().is_file() for target in files)


@pytest.mark.parametrize("name", PAGES)
def test_cautions_stand_on_every_page(run_pages, name):
    for caution in (
        "No level of lead in drinking water is known to be safe",
        "not a finding, and it never sets or changes an inventory class",
        "A low result does not prove that there is no lead line",
        "not a compliance notice",
    ):
        assert caution in run_pages[name]


def test_staff_report_agrees_with_the_lists(sample_run, run_pages, read_html):
    text = words(read_html(run_pages["staff/report.html"]))
    areas = pd.read_csv(sample_run / "lists" / "areas.csv")
    first = areas.sort_values("rank").iloc[0]
    assert f"{first['name']} comes first, with {first['expected_lead_lines']:,.0f}" in text
    scores = pd.read_csv(sample_run / "scores.csv")
    unknown = (scores["inventory_class"] == "lead status unknown").sum()
    assert f"{unknown:,} of {len(scores):,} lines" in text
    kits = pd.read_csv(sample_run / "lists" / "kits.csv")
    assert f"The next {len(kits)} kits" in text
    assert all(name in text for name in areas["name"])
    assert not set(areas["area_id"]) & set(text.split())


def test_every_picture_has_a_finding_and_how_to_read_it(run_pages, read_html):
    figures = list(read_html(run_pages["staff/report.html"]).iter("figure"))
    assert len(figures) >= 5
    for figure in figures:
        assert figure.find("h3").text
        assert figure.find("svg").get("aria-label") == figure.find("h3").text
        assert "How to read it:" in " ".join(figure.find("figcaption").itertext())


def test_the_same_findings_give_the_same_bytes(findings, tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_reports(findings, tmp_path / name)
    for name in PAGES:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_city_of_almost_nothing_still_has_its_pages(findings, tmp_path, read_html):
    bare = dataclasses.replace(
        findings,
        area_list=findings.area_list.iloc[:0],
        plan={"kits": 0, "expected_returns": 0.0, "expected_finds": 0.0, "sentences": []},
        scores=findings.scores.assign(area_id=None),
    )
    for number, case in enumerate((findings, bare)):
        (tmp_path / str(number)).mkdir()
        write_reports(case, tmp_path / str(number))
        text = words(
            read_html((tmp_path / str(number) / "staff/report.html").read_text(encoding="utf-8"))
        )
        assert RAW.search(text) is None
        assert "There were no kits" in text
        assert "too few checks to judge" in text
        assert "No round has been opened yet" in text
    assert "no home lies in a planning area" in text


def test_text_from_files_is_escaped(findings, tmp_path, read_html):
    kits = {"stages": {"sent": 3}, "return_rate": [0.1, 0.1, 0.1], "verdicts": {}, "reasons": {
        "<script>1</script>": 1}, "turnaround_days": [], "by_area": []}  # fmt: skip
    bad = dataclasses.replace(
        findings,
        water={**findings.water, "kits": kits},
        cannot_tell=["<img src=x onerror=alert(1)>"],
    )
    write_reports(bad, tmp_path)
    for name in PAGES:
        page = read_html((tmp_path / name).read_text(encoding="utf-8"))
        for item in page.iter():
            assert item.tag not in ("script", "img", "b")
            assert not [key for key in item.attrib if key.startswith("on")]


def round_report(found: int, closed: bool = True) -> dict:
    part = {"part": "all", "name": "all", "kits": 4, "returned": 2.0, "returned_low": 1.0,
            "returned_high": 3.0, "found": 1.0, "found_low": 0.0, "found_high": 2.0}  # fmt: skip
    area = {**part, "part": "area", "name": "B"}
    if closed:
        for item in (part, area):
            item |= {"usable": 2, "lead_found": found, "found_as_claimed": found <= 2}
    return {
        "round_id": "round-1",
        "opened_on": "2025-01-01",
        "closed_on": "2025-04-01" if closed else None,
        "parts": [part, area],
        "sentences": ["Four kits went out."],
    }


def test_rounds_stand_in_the_report_with_claim_and_outcome(findings, tmp_path, read_html):
    rounds = [round_report(1), round_report(3), round_report(0, closed=False)]
    write_reports(dataclasses.replace(findings, rounds=rounds), tmp_path)
    page = read_html((tmp_path / "staff/report.html").read_text(encoding="utf-8"))
    section = next(item for item in page.iter("section") if item.get("id") == "rounds")
    titles = [item.text for item in section.iter("h3") if "claimed" in (item.text or "")]
    assert titles == [
        "1 lead lines found, 1.0 claimed; 2 of 2 forecasts hold",
        "3 lead lines found, 1.0 claimed; 0 of 2 forecasts hold",
        "1.0 lead lines claimed, before any result",
    ]
    assert "Bay (4 kits)" in " ".join(section.itertext())
    text = words(section)
    assert (
        "1 of 2 closed rounds found lead lines within the claimed 95% interval, 1 more, 0 fewer"
        in text
    )
    assert "Four kits went out." in text


def test_rounds_heading():
    assert rounds_heading([]) == "No round has been opened yet"
    assert rounds_heading([round_report(1, closed=False)]) == "1 round open, none closed yet"


@pytest.mark.parametrize(
    ("found", "words"),
    [(40, "more than"), (27, "within"), (11, "within"), (10, "fewer than")],
)
def test_rounds_heading_says_on_which_side_of_the_claim(found, words):
    report = round_report(found)
    whole = report["parts"][0]
    whole |= {"found": 19.0, "found_low": 11.0, "found_high": 27.0}
    whole["found_as_claimed"] = words == "within"
    said = rounds_heading([report])
    claimed = f"{words} the 11 to 27 claimed (95% interval)"
    assert said == f"The closed round found {found} lead lines, {claimed}"
    whole["lead_open"] = 3
    so_far = f"{found} lead lines so far, with 3 homes still to be looked at"
    assert f"{so_far}, {claimed}" in rounds_heading([report])
    whole["found_as_claimed"] = None
    assert rounds_heading([report]).endswith(f"{so_far}; claimed were 11 to 27 (95% interval)")
    assert rounds_heading([report, round_report(1)]).endswith("1 cannot be judged yet")


def test_lead_lines_where_nobody_looked_are_titled_for_what_they_count(findings, tmp_path):
    """Lead lines on record count too, so they are not lines that nobody has found."""
    row = {"homes": "all", "way": "sum of probabilities", "population": 50, "checked": 0,
           "found": 0, "lead_lines_left": 9.0, "left_low": 5.0, "left_high": 14.0}  # fmt: skip
    tables = {"prevalence": pd.DataFrame([row])}
    write_reports(dataclasses.replace(findings, evaluation_tables=tables), tmp_path)
    text = (tmp_path / "staff/report.html").read_text(encoding="utf-8")
    assert "Lead lines at homes that nobody has looked at, with those on record" in text
    assert "not yet found" not in text


def test_homes_not_checked_are_counted_without_those_that_were():
    """Of 19,392 homes that a draw speaks for, 87 were drawn and looked at."""
    rows = [
        {"homes": homes, "way": way, "population": population, "checked": checked}
        for homes, population, drawn in (("all", 19_392, 87), ("no record", 9_500, 40))
        for way, checked in (("random checks", drawn), ("checks as they are", 700))
    ]
    titles = [title for title, _ in prevalence_rows(pd.DataFrame(rows))]
    assert titles == ["All homes not checked (19,305)", "Of these, homes without a record (9,460)"]


def test_where_heading_names_rivals_for_the_first_place(findings):
    sure = where_heading(findings.area_list, findings.plan)
    assert "comes first, with 90 expected lead lines (90% interval 80 to 100)" in sure
    assert "may as well" not in sure
    unsure = findings.area_list.assign(rank_low=[1, 1])
    assert where_heading(unsure, {}).endswith("1 other area may as well be first")


def fairness(kits_to_lead, low, high, kits=5) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "group_by": ["owner_occupied"],
            "group": ["no"],
            "expected_lead": [50.0],
            "kits": [kits],
            "kits_to_lead": [kits_to_lead],
            "kits_to_lead_low": [low],
            "kits_to_lead_high": [high],
            "share_of_kits": [0.1],
            "share_of_lead": [0.4],
        }
    )


def test_fair_heading_names_who_gets_too_little():
    assert fair_heading(fairness(0.25, 0.1, 0.6)) == (
        "Rented homes get 10% of the kits for 40% of the expected lead"
    )
    even = "No group gets clearly less than its share of the kits"
    assert fair_heading(fairness(0.9, 0.6, 1.4)) == even
    assert fair_heading(fairness(0.0, np.nan, np.nan, kits=0)).startswith("Rented homes get 10%")
    assert "cannot be judged" in fair_heading(pd.DataFrame())


def rivals(ahead_low, ahead_high) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "protocol": ["blocks"],
            "weighting": ["as checked"],
            "method": ["age rule"],
            "measure": ["auc"],
            "ahead_low": [ahead_low],
            "ahead_high": [ahead_high],
        }
    )


def test_right_heading_claims_no_more_than_the_interval():
    assert right_heading({}, rivals(0.02, 0.1)).endswith("surely better than oldest first")
    assert right_heading({}, rivals(-0.02, 0.1)).startswith("It cannot be said")
    assert right_heading({}, rivals(-0.2, -0.1)).startswith("Oldest first would have been")
    assert "too few checks" in right_heading({}, pd.DataFrame())
    headline = {"callable_share": 0.13, "listed": 40, "rows": 308}

    def said(precision: float, low: float, high: float) -> str:
        right = {"precision": precision, "precision_low": low, "precision_high": high}
        return right_heading({"headline": headline | right}, pd.DataFrame())

    assert said(0.925, 0.8, 0.974) == (
        "A list meant to hold 90% lead named 13% of the 308 homes it could be tested on: "
        "37 of its 40 lines (92%, 95% interval 80% to 97%) were lead"
    )
    assert "and may have missed its promise: 33 of its 40" in said(0.825, 0.68, 0.913)
    assert said(0.45, 0.307, 0.602) == (
        "Do not use a list of homes called lead here: meant to hold 90% lead, it named 13% of the "
        "308 homes it could be tested on and missed its promise, for 18 of its 40 lines (45%, "
        "95% interval 31% to 60%) were lead"
    )


def test_water_heading_reads_the_action_level():
    above = [{"level": 5.0, "above": 9, "n": 20, "share": 0.45},
             {"level": 15.0, "above": 1, "n": 20, "share": 0.05}]  # fmt: skip
    water = {"first": {"n": 20, "above": above}}
    assert water_heading(water, 15.0) == "1 of 20 homes (5.0%) are above 15 ug/L in the first draw"
    assert water_heading(water, 10.0) == "20 homes with a readable first draw"
    assert water_heading({}, 15.0) == "No results to read"


def test_kits_and_rows_headings():
    kits = {"stages": {"sent": 300, "returned": 252, "usable": 240}, "return_rate": [0.84, 0, 1]}
    assert kits_heading(kits) == "252 of 300 kits came back (84%), 240 can be used"
    assert kits_heading(None) == "No kits were sent"
    counts = pd.DataFrame({"rows_in": [100, 50], "quarantined": [0, 1]})
    assert rows_heading(counts) == "149 of 150 rows were used, 1 set aside"
    assert rows_heading(counts.head(1)) == "All 100 rows were used"


def test_measures_stand_beside_the_age_rule_with_the_place_first():
    row = {"weighting": "as checked", "measure": "auc", "value": 0.8, "low": 0.7, "high": 0.9,
           "perfect_low": np.nan, "perfect_high": np.nan, "rows": 50, "lead": 25}  # fmt: skip
    ours = pd.DataFrame([{**row, "protocol": p, "method": "linemap"} for p in ("random", "blocks")])
    rule = pd.DataFrame([{**row, "protocol": "blocks", "method": "age rule", "value": 0.6}])
    table = measure_table({"measures": ours, "baselines": rule})
    assert [column["name"] for column in table["columns"]] == ["by place", "at random"]
    cells = table["rows"][0]["cells"]
    assert (cells[0]["value"], cells[0]["age_rule"]) == (0.8, 0.6)
    assert cells[1]["age_rule"] is None
    assert measure_table({}) is None


def test_witnesses_speak_in_plain_words():
    model = {
        "place": {
            "kind": "street segments",
            "range_m": 900.0,
            "sd": 1.0,
            "units": 12,
            "shift": 0.0,
        },
        "witnesses": {
            "record": {
                "homes": 100,
                "sides_known": {"both": 80},
                "false_lead": 0.054,
                "missed_lead": 0.12,
                "words": {"copper": 1.31, "plastic": 0.4},
                "by_era": {"before 1930": {"false_lead": 0.1, "missed_lead": 0.3}},
            },
            "answers": {
                "homes": 9,
                "entry_pipe": {"lead": [0.02, 0.33], "dont_know": [0.3, 0.35]},
            },
            "water": {
                "homes": 5,
                "kits": 6,
                "flushed_at_least_band": {
                    "lead": [1, 0.8, 0.6, 0.4, 0.2, 0.1],
                    "not_lead": [1, 0.3, 0.2, 0.08, 0.01, 0.0],
                },
                "weight_limits": [-3.0, 3.0],
            },
            "check": {"homes": 7, "used_to_learn": 6, "why": {"suspected": 1}, "error": 0.005},
        },
    }
    said = dict(witness_words(model))
    assert list(said) == [
        "Place",
        "City record",
        "Residents' answers",
        "The two bottles",
        "Field checks",
    ]
    text = " ".join(sentence for sentences in said.values() for sentence in sentences)
    assert "names lead at 5.4%; of homes with lead, it names none at 12.0%" in text
    assert "missed lead line copper stands 1.3 times as often as on a line without lead" in text
    assert "of the same age, plastic 0.4 times." in text
    assert "“lead” is the answer of 33% with lead and 2% without" in text
    assert "at 4 ug/L or more: 40% with a lead line, 8% without" in text
    assert "20 times up and 20 times down" in text
    assert "1 because lead was suspected" in text
    assert not re.search(r"[{}\[\]_]", text)
    assert witness_words({"witnesses": {}}) == []


def test_what_was_learned_carries_its_interval():
    record = {
        "homes": 9,
        "false_lead": 0.1,
        "missed_lead": 0.2,
        "words": {"copper": 1.3},
        "by_era": {"before 1930": {"false_lead": 0.1, "missed_lead": 0.25}},
        "interval": {
            "low": {
                "false_lead": 0.08,
                "missed_lead": 0.15,
                "words": {"copper": 0.9},
                "by_era": {"before 1930": {"missed_lead": 0.18}},
            },
            "high": {
                "false_lead": 0.13,
                "missed_lead": 0.28,
                "words": {"copper": 1.8},
                "by_era": {"before 1930": {"missed_lead": 0.34}},
            },
        },
    }
    water = {
        "homes": 5,
        "kits": 6,
        "doubted_kits": 2,
        "doubted_that_miss_lead": 0.2,
        "flushed_at_least_band": {
            "lead": [1, 0.8, 0.6, 0.4, 0.2],
            "not_lead": [1, 0.3, 0.2, 0.1, 0],
        },
        "interval": {
            "low": {
                "doubted_that_miss_lead": 0.1,
                "flushed_at_least_band": {"lead": [1, 0.7, 0.5, 0.31, 0.1]},
            },
            "high": {
                "doubted_that_miss_lead": 0.4,
                "flushed_at_least_band": {"lead": [1, 0.9, 0.7, 0.49, 0.3]},
            },
        },
    }
    place = {"sd": 0.7, "range_m": 500.0, "shift": 0.0, "units": 9, "kind": "streets"}
    place["interval"] = {"sd": [0.5, 0.9], "range_m": [310.0, 720.0]}
    said = dict(witness_words({"place": place, "witnesses": {"record": record, "water": water}}))
    text = " ".join(said["City record"])
    assert "names lead at 10.0% (8.0% to 13.0%); of homes with lead" in text
    assert "copper stands 1.3 times (0.9 to 1.8) as often as" in text
    assert "homes built before 1930: 25.0% (18.0% to 34.0%)." in text
    assert text.endswith("In brackets: 90% intervals.")
    bottles = " ".join(said["The two bottles"])
    assert "40% (31% to 49%) with a lead line, 10% without" in bottles
    assert "In doubt: 2 kits. At a lead line an estimated 20% (10% to 40%) of such" in bottles
    assert "about 500 m (90% interval: 310 to 720 m)" in " ".join(said["Place"])
    assert "differ 2.0-fold (1.6 to 2.5)" in " ".join(said["Place"])


def test_materials_on_cards_are_passed_over_where_they_tell_nothing():
    record = {"homes": 9, "false_lead": 0.1, "missed_lead": 0.1}
    for words in ({}, {"copper": 1.02, "plastic": 0.98}):
        said = dict(witness_words({"witnesses": {"record": {**record, "words": words}}}))
        assert "copper" not in " ".join(said["City record"])


def test_lines_of_each_class_stand_beside_the_lead_expected_among_them(findings):
    rows = {row["category"]: row for row in expected_by_class(findings)}
    scores = findings.scores
    for category, row in rows.items():
        here = scores["inventory_class"] == category
        if category != "all lines":
            assert row["lines"] == here.sum()
            assert row["expected"] == pytest.approx(scores.loc[here, "p_lead"].sum())
    assert rows["all lines"]["expected"] == findings.expected.loc["(city)", "expected"]
    assert [row["homes"] for row in looks_by_kind(findings.looks)] == [1, 1]
    assert looks_by_kind(findings.looks.head(0)) == []


def test_kits_above_the_level_are_counted_with_what_is_due(findings):
    assert high_in_words(findings.high) == (
        "No kit that could be read holds more than 10 ug/L; that clears no home."
    )
    high = pd.DataFrame({"kit_id": ["K1", "K2", "K3"], "parcel_id": ["P1", "P1", "P2"]})
    high["reported_on"] = pd.to_datetime([None, "2025-03-01", None])
    high["set_aside_result"] = None
    said = high_in_words(high)
    assert said.startswith("3 kits of 2 homes hold more than 10 ug/L")
    assert "Not noted as sent to the resident: 2." in said
    assert "health department" in said
    assert "could not be used" not in said
    assert high_in_words(high.head(1)).startswith("1 kit of 1 home holds more than")
    lost = high.assign(parcel_id=["P1", None, None], set_aside_result=[None, "80*", ">50"])
    said = high_in_words(lost)
    assert said.startswith("1 kit of 1 home holds more than 10 ug/L")
    assert "2 results that could not be used may hold as much" in said
    assert "2 results of no known home: find out whose water it is" in said
    said = high_in_words(lost.tail(2))
    assert said.startswith("2 results that could not be used may hold as much")
