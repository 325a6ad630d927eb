"""What README.md says can be done can be done."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from linemap.tables import dictionary_markdown

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SAMPLE = ROOT / "synthetic_city" / "sample"
BIN = Path(sys.executable).parent


def block(after: str, language: str) -> str:
    match = re.search(re.escape(after) + rf".*?```{language}\n(.*?)```", README, re.S)
    assert match, f"README.md has no {language} block after {after!r}"
    return match.group(1)


def test_it_opens_with_the_job_in_one_paragraph():
    first = README.split("\n\n")[1]
    assert first.startswith("A city water utility")
    assert len(first) > 500
    assert README.split("\n\n")[2].startswith("## ")


@pytest.mark.parametrize("name", ["demo", "test"])
def test_set_up_commands_are_one_line_each(name):
    lines = block(f"<!-- command: {name} -->", "bash").strip().splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("python3 -m venv ")
    assert "pip install" in lines[0]


def test_the_settings_file_is_fifteen_lines():
    assert len(block("<!-- file: settings.toml -->", "toml").strip().splitlines()) == 15


@pytest.fixture(scope="module")
def own_city(tmp_path_factory, sample_run):
    """A folder as the reader would have it: own files, the README's settings, a finished run."""
    place = tmp_path_factory.mktemp("own")
    for path in SAMPLE.iterdir():
        if path.is_file():
            shutil.copy(path, place)
    settings = block("<!-- file: settings.toml -->", "toml")
    (place / "settings.toml").write_text(settings, encoding="utf-8")
    return place


def commands() -> list[str]:
    return block("<!-- file: settings.toml -->", "bash").strip().splitlines()


def test_the_commands_run_as_written(own_city):
    assert commands()[1].startswith("linemap run settings.toml --out results")
    for command in commands():
        done = subprocess.run(
            [BIN / command.split()[0], *command.split()[1:]],
            cwd=own_city, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    code = block("In Python the same things have the same names", "python")
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=own_city, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert re.search(r"AF\d{7} \d+% \(\d+% to \d+%\): ", done.stdout)
    assert "programme statistic" in done.stdout


def test_the_data_dictionary_is_that_of_the_contracts():
    printed = README.split("<!-- dictionary -->\n")[1].split("\n<!-- end of dictionary -->")[0]
    assert printed == dictionary_markdown()


def test_every_picture_and_link_of_the_page_is_there():
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / target).is_file(), target


def test_every_file_that_the_page_promises_is_left_by_a_run(sample_run):
    table = README.split("## What the demo shows")[1].split("## ")[0]
    cells = re.findall(r"^\| (`.*?) \|", table, re.M)
    for cell in cells:
        stem = ""
        for name in re.findall(r"`([^`]+)`", cell):
            if name.startswith("."):
                name = stem + name
            elif "/" not in name and not (sample_run / name).exists():
                name = f"lists/{name}"
            stem = name.rsplit(".", 1)[0]
            assert (sample_run / name).exists(), name
