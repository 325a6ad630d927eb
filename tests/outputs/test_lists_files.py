"""The lists that people work from: same rows in every form, dates, formulas, escaping."""

from datetime import date

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest

from linemap.outputs import defuse_formulas, write_csv, write_kit_files
from linemap.tables import contract

FORMS = ("kits.csv", "kits.xlsx", "kits.gpkg", "routes.html")
AS_OF = date(2025, 5, 4)


@pytest.fixture
def lists(findings, tmp_path):
    write_kit_files(findings.kit_list, findings.parcels, tmp_path, city="=Alder Falls", as_of=AS_OF)
    return tmp_path


def sheet_rows(folder) -> list[dict]:
    sheet = openpyxl.load_workbook(folder / "kits.xlsx")["Kits"]
    head, *rows = sheet.iter_rows(values_only=True)
    return [dict(zip(head, row, strict=True)) for row in rows]


@pytest.fixture
def routes(lists, read_html):
    return read_html((lists / "routes.html").read_text(encoding="utf-8"))


def route_rows(page) -> list[list[str]]:
    return [["".join(cell.itertext()) for cell in row] for row in page.findall(".//tbody/tr")]


def test_every_form_holds_the_same_homes(lists, routes, findings):
    homes = set(findings.kit_list["parcel_id"])
    table = pd.read_csv(lists / "kits.csv")
    layer = gpd.read_file(lists / "kits.gpkg", layer="kits")
    assert {p.removeprefix("'") for p in table["parcel_id"]} == homes
    assert {row["parcel_id"].removeprefix("'") for row in sheet_rows(lists)} == homes
    assert set(layer["parcel_id"]) == homes
    assert {row[2] for row in route_rows(routes)} == homes


def test_figures_agree_between_the_forms(lists, routes, findings):
    table = pd.read_csv(lists / "kits.csv")
    sheet = pd.DataFrame(sheet_rows(lists))
    layer = gpd.read_file(lists / "kits.gpkg")
    assert list(findings.kit_list.columns) == list(table.columns)
    assert sorted(sheet.columns) == sorted(table.columns)
    for name, column in contract("kit_list").items():
        if column.kind in ("number", "integer"):
            exact = findings.kit_list[name]
            assert sheet[name].tolist() == pytest.approx(exact.tolist())
            assert layer[name].tolist() == pytest.approx(exact.tolist())
            assert table[name].tolist() == pytest.approx(exact.tolist(), rel=1e-5)
    assert [int(row[1]) for row in sorted(route_rows(routes), key=lambda r: int(r[1]))] == [
        1, 2, 3, 4,
    ]  # fmt: skip


def test_dates_are_dates_and_missing_ones_are_empty(lists):
    days = [row["last_kit_on"] for row in sheet_rows(lists)]
    assert days[0] is None
    assert days[1].date() == date(2024, 3, 9)
    text = (lists / "kits.csv").read_text(encoding="utf-8")
    assert "2024-03-09" in text
    assert "NaT" not in text
    layer = gpd.read_file(lists / "kits.gpkg")
    assert layer["last_kit_on"].dt.strftime("%Y-%m-%d").tolist()[3] == "2023-12-31"


def test_no_cell_runs_as_a_formula(lists):
    book = openpyxl.load_workbook(lists / "kits.xlsx")
    for sheet in book:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)
    kits = [str(value) for row in sheet_rows(lists) for value in row.values() if value]
    assert not [text for text in kits if text[0] in "=+-@\t\r\n"]
    table = pd.read_csv(lists / "kits.csv", dtype=str, keep_default_na=False)
    assert not [t for t in table.to_numpy().ravel() if t[:1] in tuple("=+@")]


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＠"])
def test_each_start_of_a_formula_is_defused(start):
    """OWASP, "CSV Injection": characters with which a spreadsheet takes a cell for a formula."""
    table = pd.DataFrame({"a": [f"{start}1", "plain", None], "b": [-1.0, 2.0, None]})
    safe = defuse_formulas(table)
    assert safe["a"].tolist()[:2] == [f"'{start}1", "plain"]
    assert safe["a"].isna().tolist() == [False, False, True]
    assert safe["b"].tolist()[0] == -1.0
    assert table["a"].tolist()[0] == f"{start}1"


def test_a_categorical_column_is_defused_too():
    table = pd.DataFrame({"a": pd.Categorical(["=1", "b"])})
    assert defuse_formulas(table)["a"].tolist() == ["'=1", "b"]


def test_text_of_others_is_escaped_in_the_route_sheets(lists, routes):
    text = (lists / "routes.html").read_text(encoding="utf-8")
    assert not [item for item in routes.iter() if "onclick" in item.attrib]
    assert "&lt;b onclick" in text
    assert "alert(&#39;x&#39;)" in text
    assert "No area" in text
    assert "Street not known" in text


def test_homes_of_one_street_stand_together_and_count(routes):
    titles = ["".join(item.itertext()) for item in routes.findall(".//h3")]
    assert titles == ["Stretch S1 (2 homes)", "Street not known (1 home)", "Stretch S7 (1 home)"]
    areas = [" ".join("".join(item.itertext()).split()) for item in routes.findall(".//h2")]
    assert [area.split()[-2:] for area in areas] == [["2", "kits"], ["1", "kit"], ["1", "kit"]]


def test_workbook_has_a_front_sheet_a_fixed_head_and_filters(lists, findings):
    book = openpyxl.load_workbook(lists / "kits.xlsx")
    assert book.sheetnames == ["Read first", "Kits"]
    kits = book["Kits"]
    assert kits.freeze_panes == "B2"
    assert kits.auto_filter.ref == "A1:M5"
    shown = {head.value: cell.number_format for head, cell in zip(kits[1], kits[3], strict=True)}
    assert shown["rank"] == "0"
    assert shown["value"] == "0.000"
    assert shown["last_kit_on"] == "yyyy-mm-dd"
    front = " ".join(str(c.value) for row in book["Read first"] for c in row if c.value)
    for name, column in contract("kit_list").items():
        assert name in front
        assert column.meaning in front
    assert "not a finding" in front
    assert "does not prove that there is no lead line" in front
    assert "week of sending" in front
    assert all(kits.column_dimensions[letter].width >= 11 for letter in "AEI")


def test_a_second_writing_gives_the_same_bytes(lists, findings, tmp_path_factory):
    again = tmp_path_factory.mktemp("again")
    write_kit_files(findings.kit_list, findings.parcels, again, city="=Alder Falls", as_of=AS_OF)
    for name in FORMS:
        assert (again / name).read_bytes() == (lists / name).read_bytes(), name


def test_csv_of_floats_reads_back_to_six_digits(tmp_path):
    table = pd.DataFrame({"x": [1 / 3, 1e-9, 123456.789], "n": [1, 2, 3]})
    write_csv(table, tmp_path / "t.csv")
    back = pd.read_csv(tmp_path / "t.csv")
    assert back["x"].tolist() == pytest.approx(table["x"].tolist(), rel=1e-5)
    assert (tmp_path / "t.csv").read_bytes().count(b"\r") == 0


def test_an_empty_list_can_be_written_and_opened(findings, tmp_path):
    write_kit_files(
        findings.kit_list.iloc[:0], findings.parcels, tmp_path, city="Alder Falls", as_of=AS_OF
    )
    assert sheet_rows(tmp_path) == []
    assert len(gpd.read_file(tmp_path / "kits.gpkg")) == 0
    assert len(pd.read_csv(tmp_path / "kits.csv")) == 0
    assert "no home on this list" in (tmp_path / "routes.html").read_text(encoding="utf-8")


def test_the_layer_is_in_degrees_at_the_parcels(lists, findings):
    layer = gpd.read_file(lists / "kits.gpkg").set_index("parcel_id")
    assert layer.crs.to_epsg() == 4326
    place = findings.parcels.to_crs(4326).loc["H031"].geometry.centroid
    assert layer.geometry["H031"].contains(place)
