"""A run repeated by its record gives the same lists, or says exactly what differs."""

import json
import shutil

import pytest

from linemap.run_record import REPEATABLE, differences, versions


@pytest.fixture
def place(tiny_run, tmp_path):
    """A copy of the city and its run; the record points to the copy."""
    shutil.copytree(tiny_run / "city", tmp_path / "city")
    record = json.loads((tiny_run / "run" / "run.json").read_text())
    record["settings"]["folder"] = str(tmp_path / "city")
    (tmp_path / "run.json").write_text(json.dumps(record))
    return tmp_path


def change(path, **parts):
    record = json.loads(path.read_text())
    for name, part in parts.items():
        record[name] = {**record[name], **part} if isinstance(part, dict) else part
    path.write_text(json.dumps(record))


def test_the_same_inputs_give_the_same_bytes(place, tiny_run, linemap):
    code, said = linemap.run("run", "--from", "run.json", "--out", "again", cwd=place)
    assert code == 0, said
    assert "inputs, versions and lists are the same, byte for byte." in said
    for name in REPEATABLE:
        assert (place / "again" / name).read_bytes() == (tiny_run / "run" / name).read_bytes()


def test_exactly_what_differs_is_said(place, linemap):
    homes = (place / "city" / "lines.csv").read_text().split("\n")[1:40]
    (place / "city" / "stay.csv").write_text("\n".join(["parcel_id", *(h[:9] for h in homes)]))
    ids = [home.split(",")[0] for home in homes]
    (place / "city" / "stay.csv").write_text("\n".join(["parcel_id", *ids]) + "\n")
    record = json.loads((place / "run.json").read_text())
    record["settings"]["outreach"]["opt_out"] = "stay.csv"
    record["versions"].update({"numpy": "1.0", "code of linemap": "0"})
    record["inputs"].append({"file": "stay.csv", "bytes": 1, "sha256": "0" * 64})
    (place / "run.json").write_text(json.dumps(record))
    code, said = linemap.run("run", "--from", "run.json", "--out", "again", cwd=place)
    assert code == 0, said
    told = [line.strip() for line in said.split("Compared with the earlier run:")[1].split("\n")]
    now = versions()
    told = [line for line in told if line and not line.startswith("output ")]
    assert told == [
        "input stay.csv has other content than before.",
        f"code of linemap is version {now['code of linemap']}, it was 0.",
        f"numpy is version {now['numpy']}, it was 1.0.",
    ]


def test_every_input_stands_in_the_record(tiny_run):
    record = json.loads((tiny_run / "run" / "run.json").read_text())
    named = {name for name in record["settings"]["files"].values() if name}
    assert {item["file"] for item in record["inputs"]} == named
    assert {"python", "GDAL", "GEOS", "PROJ", "machine", "pandas"} < set(record["versions"])


def test_differences_name_each_thing_once():
    then = {
        "inputs": [{"file": "a", "sha256": "1"}, {"file": "b", "sha256": "1"}],
        "versions": {"x": "1", "y": "1"}, "settings": {"city": 1}, "outputs": {"o": "1"},
    }  # fmt: skip
    now = {
        "inputs": [{"file": "b", "sha256": "2"}, {"file": "c", "sha256": "1"}],
        "versions": {"x": "2", "z": "1"}, "settings": {"city": 2}, "outputs": {"o": "2"},
    }  # fmt: skip
    assert differences(then, then) == []
    assert differences(then, now) == [
        "input a is no longer there.",
        "input b has other content than before.",
        "input c was not there before.",
        "x is version 2, it was 1.",
        "y is version none, it was 1.",
        "z is version 1, it was none.",
        "the settings of city differ.",
        "output o differs.",
    ]


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("", "cannot be read"),
        ('{"settings"', "cannot be read"),
        ("[" * 100_000, "cannot be read"),
        ("[]", "is not the record of a run"),
        ("{}", "does not understand the settings"),
        ('{"settings": {"files": {"parcels": 5}, "colour": 1}}', "files.parcels, colour"),
    ],
)
def test_records_that_cannot_be_used(linemap, tmp_path, content, reason):
    (tmp_path / "run.json").write_text(content)
    code, said = linemap.run("run", "--from", "run.json", "--out", "again", cwd=tmp_path)
    assert code == 1
    assert reason in said
    assert "Traceback" not in said
    assert not (tmp_path / "again").exists()


def test_an_input_that_is_gone_is_named(place, linemap):
    (place / "city" / "lines.csv").unlink()
    code, said = linemap.run("run", "--from", "run.json", "--out", "again", cwd=place)
    assert code == 1
    assert "lines.csv, table lines: there is no such file." in said
    code, said = linemap.run("run", "--from", "gone.json", "--out", "again", cwd=place)
    assert code == 1
    assert "gone.json cannot be read (No such file or directory)" in said
    assert not (place / "again").exists()
