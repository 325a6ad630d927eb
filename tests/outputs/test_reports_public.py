"""Nothing of a household stands anywhere in the public folder of a finished run."""

import base64
import contextlib
import dataclasses
import json
import re
import zlib

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from linemap.outputs.reports.pages import page_environment, write_reports
from linemap.run_folder import Run
from linemap.tables import contract

STAFF_TABLES = (
    "parcels",
    "lines",
    "checks",
    "kits",
    "samples",
    "answers",
    "pairs",
    "scores",
    "kit_list",
    "quarantine",
)
STAFF_LIST_COLUMNS = ("kits_suggested", "rank_low", "hot_spot", "return_rate", "value_harm")
PACKED = re.compile(r"[A-Za-z0-9+/]{60,}={0,2}")


def opened(text: str) -> str:
    """Return a page with every packed piece of it unpacked beside it."""
    pieces = [text]
    for found in PACKED.findall(text):
        try:
            raw = base64.b64decode(found, validate=True)
        except ValueError:
            continue
        with contextlib.suppress(zlib.error):
            raw = zlib.decompress(raw)
        pieces.append(raw.decode("utf-8", errors="replace"))
    return "\n".join(pieces)


@pytest.fixture(scope="module")
def public(sample_run):
    files = [path for path in (sample_run / "public").rglob("*") if path.is_file()]
    assert {path.name for path in files} == {"map.html", "report.html"}
    return {path.name: opened(path.read_text(encoding="utf-8")) for path in files}


@pytest.fixture(scope="module")
def staff(sample_run):
    parts = [*(sample_run / "staff").glob("*.html"), *(sample_run / "lists").glob("*.csv")]
    return "\n".join(opened(path.read_text(encoding="utf-8")) for path in parts)


@pytest.fixture(scope="module")
def inputs(sample_run):
    """Tables as the utility gave them, and as the run read them."""
    from linemap.run_folder import Run

    run = Run(sample_run)
    folder = run.settings.path("kits").parent
    csv = {
        name: pd.read_csv(folder / f"{name}.csv", dtype=str)
        for name in ("kits", "samples", "answers", "checks", "lines")
    }
    return {**csv, "parcels": run.parcels, "scores": run.scores, "pairs": run.pairs}


def words_of(text: str) -> set[str]:
    return set(re.findall(r"[\w.]+", text))


def test_the_search_would_find_what_stands_in_the_staff_files(staff, inputs):
    """The proof below is worth something only if the same search succeeds where it should."""
    assert set(inputs["parcels"].index) <= words_of(staff)
    assert "inclusion_probability" in words_of(staff)


def test_no_key_of_a_home_or_kit(public, inputs):
    keys = set(inputs["parcels"].index) | set(inputs["kits"]["kit_id"])
    keys |= set(inputs["parcels"]["street_segment"].dropna())
    for name, text in public.items():
        assert keys & words_of(text) == set(), name


def test_addresses_stand_on_the_lists_and_nowhere_in_public(public, staff, inputs, sample_run):
    addresses = inputs["parcels"]["address"]
    kits = pd.read_csv(sample_run / "lists/kits.csv")
    assert kits["address"].tolist() == addresses.loc[kits["parcel_id"]].tolist()
    routes = (sample_run / "lists/routes.html").read_text(encoding="utf-8")
    assert all(address in routes for address in kits["address"])
    for name, text in public.items():
        assert not any(address in text for address in addresses), name


def test_no_column_of_the_staff(public):
    columns = {name for table in STAFF_TABLES for name in contract(table) if "_" in name}
    columns |= set(STAFF_LIST_COLUMNS)
    columns -= {"area_id"}
    assert len(columns) > 40
    for name, text in public.items():
        assert columns & words_of(text) == set(), name


def degrees(parcels: gpd.GeoDataFrame) -> np.ndarray:
    points = parcels.geometry.centroid.to_crs(4326)
    return np.column_stack([points.x, points.y])


def test_no_coordinate_of_a_household(public, inputs):
    """No two numbers in a row are a home's place, in degrees (1 m) or metres of the grid."""
    parcels = inputs["parcels"]
    metres = parcels.geometry.centroid
    places = [(degrees(parcels), 1e-5), (np.column_stack([metres.x, metres.y]), 1.0)]
    for name, text in public.items():
        values = np.array([float(v) for v in re.findall(r"-?\d+\.?\d*", text)[:400_000]])
        rows = np.column_stack([values[:-1], values[1:]])
        for homes, near in places:
            low, high = homes.min(axis=0) - near, homes.max(axis=0) + near
            for pair in (rows, rows[:, ::-1]):
                inside = pair[((pair >= low) & (pair <= high)).all(axis=1)]
                apart = np.abs(inside[:, None, :] - homes[None, :, :]).max(axis=2)
                assert not (apart < near).any(), name


def seen_text(html: str) -> str:
    """Return what a reader sees of a page: no styles, scripts, pictures or attributes."""
    html = re.sub(r"<(style|script|svg)\b.*?</\1>", " ", html, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def test_no_result_and_no_answer(public, inputs):
    printed = {value for value in inputs["samples"]["result"].dropna() if "." in value}
    numbers = pd.to_numeric(pd.Series(sorted(printed)), errors="coerce")
    # Public counts are multiples of ten, so a result that is one too proves nothing.
    results = {text for text, n in zip(sorted(printed), numbers, strict=True) if n % 10 != 0}
    assert len(results) > 20
    for name, text in public.items():
        seen = seen_text(text)
        assert "ug/L" not in seen, name
        assert results & words_of(seen) == set(), name
        for answer in ("dont_know", "don't know", "galvanized", "entry pipe", "signed"):
            assert answer not in seen, (name, answer)


def test_no_children_and_no_kit_history(public, inputs, sample_run):
    days = set(inputs["kits"]["mailed_on"].dropna()) | set(inputs["kits"]["collected_on"].dropna())
    days -= {Run(sample_run).info["as_of"]}  # the day of the run, which every page states
    for name, text in public.items():
        assert days & set(re.findall(r"\d{4}-\d{2}-\d{2}", seen_text(text))) == set(), name
        assert "under six" not in text, name
        assert "under_6" not in text, name


def test_every_count_of_the_public_report_is_rounded(public, sample_run, read_html):
    page = read_html((sample_run / "public" / "report.html").read_text(encoding="utf-8"))
    cells = list(page.iter("td"))
    assert len(cells) >= 12
    for cell in cells:
        for text in cell.itertext():
            for figure in re.findall(r"[\d,]+", text):
                assert int(figure.replace(",", "")) % 10 == 0, text


def test_the_city_total_carries_its_interval(sample_run):
    text = (sample_run / "public" / "report.html").read_text(encoding="utf-8")
    low, high = (
        int(end.replace(",", ""))
        for end in re.search(r"\(90% interval ([\d,]+) to ([\d,]+)\)\. For", text).groups()
    )
    city = json.loads((sample_run / "run.json").read_text(encoding="utf-8"))["result"]
    assert low % 10 == high % 10 == 0
    assert low <= city["low"] < city["high"] <= high
    assert high - low < city["high"] - city["low"] + 20


def test_the_public_report_reads_nothing_but_areas_and_sums(findings, tmp_path):
    """Every table about homes is taken away, but for what is summed; the page stays the same."""
    findings = dataclasses.replace(findings, area_list=findings.area_list.assign(why="secret"))
    blind = {
        field.name: None
        for field in dataclasses.fields(findings)
        if field.name not in ("settings", "as_of", "area_list", "expected")
    }
    summed = findings.scores[["area_id", "inventory_class", "p_lead"]]
    blind["scores"] = summed.sample(frac=1, random_state=1).reset_index(drop=True)
    (tmp_path / "full").mkdir()
    write_reports(findings, tmp_path / "full")
    from linemap.outputs.reports.pages import PAGES
    from linemap.outputs.wording import CAUTIONS, PROBABILITY_CAUTION

    template, content = PAGES["public/report.html"]
    text = (
        page_environment()
        .get_template(template)
        .render(
            city=findings.settings.city.name,
            as_of=findings.as_of.isoformat(),
            cautions=CAUTIONS,
            probability_caution=PROBABILITY_CAUTION,
            **content(dataclasses.replace(findings, **blind)),
        )
    )
    assert text == (tmp_path / "full" / "public" / "report.html").read_text(encoding="utf-8")
    assert "secret" not in text


def heading_of(folder) -> str:
    text = (folder / "public" / "report.html").read_text(encoding="utf-8")
    return " ".join(re.sub("<[^>]+>", "", text[text.index("<h1>") : text.index("<aside")]).split())


def test_figures_of_the_city_count_homes_in_no_area(findings, tmp_path):
    """Half the homes lie in the one area that was given; the interval is that of all homes."""
    one = findings.area_list.head(1).assign(homes=30, unknown_lines=10, expected_lead_lines=21)
    expected = pd.DataFrame({"expected": [30.0], "low": [21.0], "high": [39.0]}, index=["(city)"])
    write_reports(dataclasses.replace(findings, area_list=one, expected=expected), tmp_path)
    heading = heading_of(tmp_path)
    assert "Of 60 homes, about 30 are expected" in heading
    assert "(90% interval 20 to 40). For 20 nobody knows" in heading
    assert "Some" not in heading
    assert "30 of the homes lie in none of the areas below" in heading


def test_a_few_homes_in_no_area_are_said_but_not_counted(findings, tmp_path):
    scores = findings.scores.copy()
    scores.loc[scores.index[-3:], "area_id"] = None
    write_reports(dataclasses.replace(findings, scores=scores), tmp_path)
    assert "some of the homes lie in none of the areas below, how many is not shown" in heading_of(
        tmp_path
    )


def test_a_city_without_areas_has_its_sums(findings, tmp_path):
    scores = findings.scores.assign(area_id=None)
    bare = dataclasses.replace(
        findings, scores=scores, area_list=findings.area_list.head(0), areas=findings.areas.head(0)
    )
    write_reports(bare, tmp_path)
    assert "Of 60 homes, about 30 are expected" in heading_of(tmp_path)
    text = (tmp_path / "public" / "report.html").read_text(encoding="utf-8")
    assert "No areas were given, so there are no figures by area." in text
    assert "areas below" not in text


def test_a_small_area_is_not_shown(findings, tmp_path, read_html):
    small = findings.area_list.assign(homes=[300, 200], unknown_lines=[120, 4])
    write_reports(dataclasses.replace(findings, area_list=small), tmp_path)
    page = read_html((tmp_path / "public" / "report.html").read_text(encoding="utf-8"))
    rows = {
        "".join(row.find("th").itertext()): [" ".join("".join(c.itertext()).split()) for c in row
                                            if c.tag == "td"]
        for row in page.findall(".//tbody/tr")
    }  # fmt: skip
    assert rows["Bay"][1] == "not shown"
    # One hidden cell could be worked out from the city's total, so a second one is hidden.
    assert sum(row[1] == "not shown" for row in rows.values()) == 2


def test_where_to_ask_for_a_kit_is_said(findings, tmp_path):
    outputs = findings.settings.outputs.model_copy(update={"kit_contact": "Call 555-0100 & ask."})
    settings = findings.settings.model_copy(update={"outputs": outputs})
    write_reports(dataclasses.replace(findings, settings=settings), tmp_path)
    text = (tmp_path / "public" / "report.html").read_text(encoding="utf-8")
    assert "Call 555-0100 &amp; ask." in text
