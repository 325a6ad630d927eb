"""Text made to hurt whoever opens the outputs: markup, formulas and names of files."""

import csv
import json
from html.parser import HTMLParser

import openpyxl
import pytest

from linemap.pipeline import run

TAG = "xss-probe"
MARKUP = f"</script></textarea></title><{TAG} onx='1'>\"'&--><{TAG}>"
FORMULAS = ['=HYPERLINK("http://x","y")', "+1+1", "-2+3", "@SUM(A1)", "\t=1+1", "＝1+1"]


class Tags(HTMLParser):
    """Every tag and attribute of a page, and every block of data in it."""

    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.data, self.inside = set(), set(), [], ""

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attributes}
        self.inside = tag

    def handle_data(self, data):
        if self.inside == "script":
            self.data.append(data)


@pytest.fixture(scope="module")
def hostile_run(tiny_city, tmp_path_factory):
    """A run in which every text that a file can bring is markup or a formula."""
    import geopandas as gpd
    import pandas as pd

    from linemap.settings import parse_settings

    place = tmp_path_factory.mktemp("hostile") / "inner"
    place.mkdir()

    def wicked(count):
        texts = [MARKUP, *FORMULAS, "../../escape", "/etc/escape", "C:\\escape", "a\u202eb"]
        return [texts[n % len(texts)] for n in range(count)]

    parcels = gpd.read_file(tiny_city / "parcels.gpkg")
    areas = gpd.read_file(tiny_city / "areas.gpkg")
    names = dict(zip(areas["area_id"], (f"{t}{n}" for n, t in enumerate(wicked(len(areas)))),
                     strict=True))  # fmt: skip
    areas = areas.assign(area_id=areas["area_id"].map(names), name=wicked(len(areas)))
    if "area_id" in parcels:
        parcels["area_id"] = parcels["area_id"].map(names)
    ids = parcels["parcel_id"]
    new = dict(zip(ids, (f"{t} {n}" for n, t in enumerate(wicked(len(ids)))), strict=True))
    parcels = parcels.assign(
        parcel_id=ids.map(new), land_use=wicked(len(ids)), street_segment=wicked(len(ids))
    )
    parcels.to_file(place / "parcels.gpkg")
    areas.to_file(place / "areas.gpkg")
    for name in ("lines", "checks", "kits", "samples", "answers", "sites"):
        table = pd.read_csv(tiny_city / f"{name}.csv", dtype=str)
        if "parcel_id" in table:
            table["parcel_id"] = table["parcel_id"].map(new)
        for column in ("basis", "method", "tap", "kind", "entry_pipe", "result"):
            if column in table:
                half = max(len(table) // 3, 1)
                table.loc[table.index[:half], column] = wicked(half)
        table.to_csv(place / f"{name}.csv", index=False)
    files = {path.stem: path.name for path in place.iterdir()}
    settings = parse_settings(
        {
            "files": files,
            "city": {"name": f"../..{MARKUP}"},
            "outputs": {"kit_contact": MARKUP},
            "evaluation": {"protocols": ["random"], "folds": 2, "bootstrap": 20},
        },
        folder=place,
    )
    run(settings, place / "run", tell=lambda _: None)
    return place


def test_every_page_holds_the_text_as_text(hostile_run):
    pages = sorted((hostile_run / "run").rglob("*.html"))
    assert len(pages) >= 6
    held = 0
    for page in pages:
        text = page.read_text(encoding="utf-8")
        found = Tags()
        found.feed(text)
        assert TAG not in found.tags, page
        assert "onx" not in found.attributes, page
        assert not any(f"<{TAG}" in block for block in found.data), page
        held += TAG in text
    assert held >= 4, "the text is in the pages, and harmless"


def test_no_cell_of_a_list_is_a_formula(hostile_run):
    lists = sorted((hostile_run / "run").rglob("*.csv"))
    assert len(lists) >= 8
    defused = 0
    for path in lists:
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.reader(stream):
                for cell in row:
                    defused += cell.startswith("'=")
                    if cell.startswith(("=", "+", "-", "@", "\t", "\r", "＝")):
                        float(cell)
    assert defused > 10, "the text is in the lists, and harmless"
    for path in (hostile_run / "run").rglob("*.xlsx"):
        for sheet in openpyxl.load_workbook(path).worksheets:
            for row in sheet.iter_rows():
                for cell in row:
                    assert cell.data_type != "f"
                    assert cell.hyperlink is None
                    assert not str(cell.value or "").startswith(("=", "+", "@"))


def test_names_never_become_paths(hostile_run, tiny_run):
    outside = [p for p in hostile_run.parent.iterdir() if p.name != "inner"]
    assert outside == []
    mine = {p.relative_to(hostile_run / "run") for p in (hostile_run / "run").rglob("*")}
    usual = {p.relative_to(tiny_run / "run") for p in (tiny_run / "run").rglob("*")}
    assert mine <= usual
    assert not [p for p in hostile_run.iterdir() if "escape" in p.name]


def test_the_record_is_one_json_and_holds_the_text(hostile_run):
    record = json.loads((hostile_run / "run" / "run.json").read_text(encoding="utf-8"))
    assert record["settings"]["city"]["name"].endswith(MARKUP)
