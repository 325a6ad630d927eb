"""How the lists read: what the workbook says first, and how a route sheet names streets."""

from datetime import date

import openpyxl
import pandas as pd
import pytest

from linemap.outputs import write_kit_files
from linemap.outputs.lists import ARM_LABELS
from linemap.outputs.streets import shared_street, street_of
from linemap.outputs.wording import ARM_WORDS, CAUTIONS, PROBABILITY_CAUTION

AS_OF = date(2025, 5, 4)
CHANCES = ("p_lead", "p_low", "p_high", "p_return", "p_return_low", "p_return_high")


def home_list(findings) -> pd.DataFrame:
    """Return the four kits with addresses, sites and intervals."""
    return findings.kit_list.assign(
        p_low=0.001,
        p_high=0.999,
        p_return_low=0.1,
        p_return_high=0.9,
        address=["12 Mill Street", "14-16 MILL STREET", None, "3 Bay Road, Apt 2"],
        site_kind=["child_care", None, None, "<i>school</i>"],
    )


@pytest.fixture
def kits(findings):
    return home_list(findings)


@pytest.fixture
def written(findings, kits, tmp_path):
    """Return a function that writes kits and gives the folder."""

    def write(table=kits):
        write_kit_files(table, findings.parcels, tmp_path, city="Alder Falls", as_of=AS_OF)
        return tmp_path

    return write


@pytest.fixture
def titles(written, kits, read_html):
    """Return a function that gives the titles of the stretches: text, and its small part."""

    def read(**columns):
        text = (written(kits.assign(**columns)) / "routes.html").read_text("utf-8")
        found = read_html(text).findall(".//h3")
        return [("".join(h.itertext()), h.findtext("small")) for h in found]

    return read


def front_rows(folder) -> list[tuple]:
    sheet = openpyxl.load_workbook(folder / "kits.xlsx")["Read first"]
    return [row for row in sheet.iter_rows(values_only=True) if any(v is not None for v in row)]


def test_the_front_sheet_says_first_that_it_is_for_staff_only(written):
    first = front_rows(written())[0][0]
    assert first.startswith("Staff only, not to be shared")
    assert "names homes and people's addresses" in first


def test_every_printed_page_of_the_workbook_says_staff_only(written):
    for sheet in openpyxl.load_workbook(written() / "kits.xlsx"):
        assert "Staff only" in sheet.oddHeader.left.text, sheet.title


def test_the_front_sheet_counts_the_arms_in_both_words(written):
    numbers = {row[0]: row[1] for row in front_rows(written())}
    assert numbers["ranked (chosen for worth)"] == 2
    assert numbers["floor (fair share)"] == 1
    assert numbers["audit (random)"] == 1
    for arm, label in ARM_LABELS.items():
        assert label.startswith(f"{arm} ({ARM_WORDS[arm]}")


def test_sums_of_the_front_sheet_are_those_of_its_columns(written, kits):
    rows = {row[0]: row for row in front_rows(written())}
    assert rows["kits"][1] == 4
    assert rows["kits expected back"][1] == pytest.approx(0.4 + 0.4 + 0.3 + 0.5)
    assert "sum of p_return" in rows["kits expected back"][2]
    lead = rows["lead lines expected among them"]
    assert lead[1] == pytest.approx(0.4 * 0.91234567 + 0.4 * 0.5 + 0.3 * 0.05 + 0.5 * 0.7)
    assert "sum of p_lead * p_return" in lead[2]
    assert "estimate" in lead[2]


def test_an_empty_list_counts_nothing(written, kits):
    numbers = {row[0]: row[1] for row in front_rows(written(kits.iloc[:0]))}
    assert [numbers[name] for name in (*ARM_LABELS.values(), "kits", "kits expected back")] == [
        0, 0, 0, 0, 0,
    ]  # fmt: skip


def test_the_front_sheet_explains_the_order_and_clears_no_home(written):
    first = [row[0] for row in front_rows(written())]
    text = " ".join(first)
    assert "A home left off this list is not cleared" in text
    assert "come first, then all others" in text
    assert "a low chance of lead can stand above a high one" in text
    for caution in (PROBABILITY_CAUTION, *CAUTIONS):
        assert caution in first


def test_the_sheet_of_homes_begins_with_home_address_and_area(written, kits):
    folder = written()
    sheet = openpyxl.load_workbook(folder / "kits.xlsx")["Kits"]
    assert [cell.value for cell in sheet[1]][:4] == ["parcel_id", "address", "name", "area_id"]
    assert [cell.value for cell in sheet[2]][1] == "12 Mill Street"
    assert sheet.freeze_panes == "B2"
    assert sheet.auto_filter.ref == "A1:S5"
    assert list(pd.read_csv(folder / "kits.csv").columns) == list(kits.columns)


def test_without_addresses_the_area_follows_the_home(written, kits):
    sheet = openpyxl.load_workbook(written(kits.drop(columns="address")) / "kits.xlsx")["Kits"]
    assert [cell.value for cell in sheet[1]][:2] == ["parcel_id", "name"]


def test_chances_are_shown_as_percentages_and_stored_as_numbers(written, kits):
    sheet = openpyxl.load_workbook(written() / "kits.xlsx")["Kits"]
    columns = {column[0].value: column[1:] for column in sheet.iter_cols()}
    for name in CHANCES:
        for cell, value in zip(columns[name], kits[name], strict=True):
            assert cell.number_format.endswith(";0%"), name
            assert cell.value == pytest.approx(value)
            assert cell.data_type == "n"
    assert 'under 1%";' in columns["p_lead"][0].number_format
    assert 'over 99%";' in columns["p_lead"][0].number_format
    assert {cell.number_format for cell in columns["inclusion_probability"]} == {"[=1]0%;0.00%"}
    assert columns["value"][0].number_format == "0.000"


def test_a_route_sheet_names_sites_beside_their_homes(written, read_html):
    text = (written() / "routes.html").read_text("utf-8")
    homes = {
        "".join(row[2].itertext()): row[2].findtext("strong")
        for row in read_html(text).findall(".//tbody/tr")
    }
    assert homes["12 Mill StreetH000Site: child care"] == "Site: child care"
    assert homes["14-16 MILL STREET=2+3"] is None
    assert "Site: &lt;i&gt;school" in text
    assert "Staff only: do not leave at a door or share" in text


def test_a_stretch_is_headed_by_the_street_that_its_homes_share(titles):
    assert titles() == [
        ("Mill Street Stretch S1 (2 homes)", "Stretch S1"),
        ("Street not known (1 home)", None),
        ("Bay Road Stretch S7 (1 home)", "Stretch S7"),
    ]


def test_a_stretch_whose_homes_stand_on_two_streets_keeps_its_id(titles):
    found = titles(address=["12 Mill Street", "1 Bay Road", "5 Low Lane", "no number"])
    assert found == [
        ("Stretch S1 (2 homes)", None),
        ("Low Lane (1 home)", None),
        ("Stretch S7 (1 home)", None),
    ]


@pytest.mark.parametrize(
    ("address", "street"),
    [
        ("5019 Harrow Street", "Harrow Street"),
        ("12A Mill  Street", "Mill Street"),
        ("12 - 14 Mill Street", "Mill Street"),
        ("12-14 Mill Street", "Mill Street"),
        ("12 1/2 Mill Street", "Mill Street"),
        ("12 ½ Mill Street", "Mill Street"),
        ("12, Mill Street, Alder Falls 12345", "Mill Street"),
        ("N6W230 Mill Street", "Mill Street"),
        ("7 42nd Street", "42nd Street"),
        ("42nd Street", None),
        ("7 1st Avenue Unit B", "1st Avenue"),
        ("7 Old Unit Road", "Old Unit Road"),
        ("7 Mill Street # 4", "Mill Street"),
        ("7 Mill Street Apt. 4b", "Mill Street"),
        ("7 County Road 12", "County Road 12"),
        ("PO Box 9", None),
        ("12", None),
        ("", None),
        (None, None),
        (float("nan"), None),
    ],
)
def test_the_house_number_is_left_out_of_a_street(address, street):
    assert street_of(address) == street


def test_homes_without_an_address_do_not_unname_a_street():
    assert shared_street(["", None, "1 Mill Street"]) == "Mill Street"
    assert shared_street(["", None]) is None
    assert shared_street(["Mill Street", "1 Mill Street"]) is None


def test_every_row_is_high_enough_for_its_text(written):
    """Text wraps after so many characters; 12 points are a line of the usual 11-point font."""
    book = openpyxl.load_workbook(written() / "kits.xlsx")
    for name, column in (("Read first", "C"), ("Kits", "why")):
        sheet = book[name]
        letter = next((c.column_letter for c in sheet[1] if c.value == column), column)
        wide = sheet.column_dimensions[letter].width
        cells = [cell for cell in sheet[letter][1:] if cell.value and cell.alignment.wrap_text]
        assert cells
        for cell in cells:
            if not cell.font.b:
                high = sheet.row_dimensions[cell.row].height
                assert high >= 12 * len(cell.value) / wide, cell.value


def test_a_short_reason_makes_a_narrow_column_and_no_row_is_too_high_to_open(written, kits):
    """409 points are the highest row that spreadsheet programs take (from memory)."""
    long = kits.assign(why=["short"] * (len(kits) - 1) + ["word " * 1000])
    sheet = openpyxl.load_workbook(written(long) / "kits.xlsx")["Kits"]
    heights = [sheet.row_dimensions[row].height for row in range(2, len(kits) + 2)]
    assert 400 < max(heights) <= 409
    assert min(heights) < 17


def test_print_ends_with_the_reason_and_holds_the_week(written, kits):
    sheet = openpyxl.load_workbook(written() / "kits.xlsx")["Kits"]
    names = [cell.value for cell in sheet[1]]
    assert names[names.index("why") - 2 : names.index("why")] == ["week", "site_kind"]
    last = sheet.print_area.split(":")[1].replace("$", "")
    assert last.endswith(str(1 + len(kits)))
    assert sheet[f"{last.rstrip('0123456789')}1"].value == "why"


def test_text_keeps_a_distance_from_the_number_before_it(written):
    sheet = openpyxl.load_workbook(written() / "kits.xlsx")["Kits"]
    for cell in sheet[2]:
        if isinstance(cell.value, str):
            assert cell.alignment.indent == 1
