"""The house rules hold: style, types, and the direction of imports."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["-m", "ruff", "check", "."], id="ruff check"),
        pytest.param(["-m", "ruff", "format", "--check", "."], id="ruff format"),
        pytest.param(["-m", "mypy"], id="mypy"),
        pytest.param(
            ["-c", "from importlinter.cli import lint_imports_command as run; run()"],
            id="import-linter",
        ),
    ],
)
def test_tool_is_content(command):
    done = subprocess.run(
        [sys.executable, *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_no_file_is_too_long():
    long = {
        str(path.relative_to(ROOT)): count
        for folder in ("linemap", "synthetic_city")
        for path in (ROOT / folder).rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert long == {}


def test_top_level_holds_only_the_named_parts():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\n")
    top = {name.split("/")[0] for name in listed if name}
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "linemap",
        "notebooks",
        "tests",
        "synthetic_city",
        "LICENSE",
    }
    assert {name for name in top if not name.startswith(".")} <= allowed
