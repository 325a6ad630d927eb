"""Settings: every fault at once, the nearest valid name, files that are not there."""

import pytest

from linemap.errors import SettingsError
from linemap.references import split_part
from linemap.settings import (
    OutreachSettings,
    Settings,
    load_settings,
    outreach_with,
    parse_settings,
)
from linemap.tables import INPUT_TABLES


def faults(raw, folder):
    with pytest.raises(SettingsError) as caught:
        parse_settings(raw, folder=folder)
    return caught.value.faults


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "p.csv").write_text("parcel_id\n1\n", encoding="utf-8")
    (tmp_path / "book.xlsx").write_bytes(b"PK")
    (tmp_path / "a#b.csv").write_text("x", encoding="utf-8")
    return tmp_path


def test_a_state_without_a_level_of_its_own_is_refused_with_the_known_ones(folder):
    """Michigan: 12 ug/L from 1 January 2025, Mich. Admin. Code R 325.10604f(1)(c)."""
    raw = {"files": {"parcels": "p.csv"}, "rules": {"state": "michigan"}}
    assert parse_settings(raw, folder=folder).rules.state == "Michigan"
    (told,) = faults({**raw, "rules": {"state": "Ohio"}}, folder)
    assert told == (
        "rules.state = 'Ohio': no action level of its own is on file for a state 'Ohio'; on file: "
        "Michigan. Leave the state out where the federal level holds."
    )


def test_all_faults_are_told_together(folder):
    told = faults(
        {
            "files": {"parcels": "gone.csv", "line": "p.csv"},
            "city": {"nmae": "x", "day_first": "yes"},
            "columns": {"parcel": {}, "lines": {"parcelid": "PIN"}},
            "values": {"material": {"PB": "led"}, "colour": {"a": "b"}},
            "outreach": {"kits": 0, "opt_out": "none.csv", "quiet_days": 200_000},
            "scorng": {},
        },
        folder,
    )
    text = "\n".join(told)
    for part in (
        "files.line is not a setting. Did you mean lines?",
        "city.nmae is not a setting. Did you mean name?",
        "city.day_first = 'yes': input should be a valid boolean.",
        "columns.parcel is not a table. Did you mean parcels?",
        "columns.lines.parcelid is not a column of lines. Did you mean parcel_id?",
        "values.material.PB = 'led' is not a value of material. Did you mean lead?",
        "values.colour is not a coded column.",
        "outreach.kits = 0: input should be greater than or equal to 1.",
        "outreach.quiet_days = 200000: input should be less than or equal to 36500.",
        "scorng is not a setting. Did you mean scoring?",
        f"files.parcels = 'gone.csv': there is no such file in {folder}. Check the name.",
        f"outreach.opt_out = 'none.csv': there is no such file in {folder}. Check the name.",
    ):
        assert part in text
    assert len(told) == 12


def test_parcels_are_required(folder):
    assert faults({"files": {}}, folder) == ["files.parcels is required. Add it."]
    assert faults({}, folder) == ["files is required. Add it."]


@pytest.mark.parametrize("table", ["parcels", "areas", "sites"])
def test_places_may_be_mapped(folder, table):
    columns = {table: {"longitude": "X", "latitude": "Y"}}
    settings = parse_settings({"files": {"parcels": "p.csv"}, "columns": columns}, folder=folder)
    assert settings.columns[table]["longitude"] == "X"


def test_opt_out_may_be_mapped(folder):
    columns = {"opt_out": {"parcel_id": "PIN"}}
    parse_settings({"files": {"parcels": "p.csv"}, "columns": columns}, folder=folder)
    columns = {"opt_out": {"pin": "PIN"}}
    assert len(faults({"files": {"parcels": "p.csv"}, "columns": columns}, folder)) == 1


def test_path_and_part(folder):
    files = {"parcels": "p.csv", "lines": "book.xlsx#Sheet 2", "kits": "a#b.csv"}
    settings = parse_settings({"files": files}, folder=folder)
    assert (settings.path("parcels"), settings.part("parcels")) == (folder / "p.csv", None)
    assert (settings.path("lines"), settings.part("lines")) == (folder / "book.xlsx", "Sheet 2")
    assert (settings.path("kits"), settings.part("kits")) == (folder / "a#b.csv", None)
    assert (settings.path("sites"), settings.part("sites")) == (None, None)


@pytest.mark.parametrize(
    ("name", "file", "part"),
    [
        ("b.xlsx#S", "b.xlsx", "S"),
        ("b.xlsx#S#T", "b.xlsx", "S#T"),
        ("b.xlsx#", "b.xlsx", None),
        ("b.xlsx", "b.xlsx", None),
        ("#b.xlsx", "#b.xlsx", None),
        ("d#1/b.xlsx", "d#1/b.xlsx", None),
    ],
)
def test_split_part(name, file, part):
    found = split_part(name)
    assert (str(found[0]), found[1]) == (file, part)


def test_settings_are_frozen(folder):
    settings = parse_settings({"files": {"parcels": "p.csv"}}, folder=folder)
    with pytest.raises(ValueError, match="frozen"):
        settings.city.name = "x"


def test_defaults(folder):
    settings = parse_settings({"files": {"parcels": "p.csv"}}, folder=folder)
    assert settings.city.day_first is None
    assert settings.city.units_confirmed is False
    assert set(type(settings.files).model_fields) == {*INPUT_TABLES, "city_column"}
    assert isinstance(settings, Settings)


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        (b"[city", "the file is not valid TOML"),
        (b"\xff\xfe", "the file is not UTF-8 text. Save it as UTF-8."),
        (b"\0\0", "the file is not valid TOML"),
        (b"", "files is required. Add it."),
    ],
)
def test_broken_settings_files(tmp_path, content, fault):
    (tmp_path / "s.toml").write_bytes(content)
    with pytest.raises(SettingsError) as caught:
        load_settings(tmp_path / "s.toml")
    (told,) = caught.value.faults
    assert told.startswith(fault)


def test_settings_file_that_is_not_there(tmp_path):
    with pytest.raises(SettingsError, match=r"there is no file .*gone\.toml\. Check the path\."):
        load_settings(tmp_path / "gone.toml")
    with pytest.raises(SettingsError, match=r"is a folder\. Name the settings file in it"):
        load_settings(tmp_path)


def test_settings_file_may_begin_with_a_byte_order_mark(folder):
    (folder / "s.toml").write_bytes(b"\xef\xbb\xbf[files]\nparcels = 'p.csv'\n")
    assert load_settings(folder / "s.toml").path("parcels") == folder / "p.csv"


def test_a_reported_pregnancy_never_sharpens_a_score(folder):
    """As the contract of the column says."""
    with pytest.raises(SettingsError, match="pregnant may never sharpen a score"):
        parse_settings({"files": {"parcels": "p.csv"}, "scoring": {"extra": ["pregnant"]}})


@pytest.mark.parametrize("name", ["kits", "floor_per_area", "cap_per_area", "per_segment"])
def test_more_kits_than_any_city_has_homes_are_refused(name: str) -> None:
    with pytest.raises(SettingsError, match=rf"outreach.{name} = 1000.*equal to 10000000"):
        outreach_with(OutreachSettings(), {name: 10**20})
