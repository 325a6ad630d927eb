"""The pictures of README.md are taken by a script from a real run."""

import struct
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "notebooks" / "pictures" / "draw.py"

pytestmark = pytest.mark.browser


@pytest.mark.usefixtures("browser")
def test_every_picture_is_drawn_and_kept(sample_run, tmp_path):
    done = subprocess.run(
        [sys.executable, SCRIPT, sample_run, tmp_path], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    drawn = sorted(tmp_path.iterdir())
    assert drawn
    for path in drawn:
        content = path.read_bytes()
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        assert struct.unpack(">II", content[16:24]) == (1200, 720)
        assert len(content) > 30_000, "not an empty page"
        assert (SCRIPT.parent / path.name).is_file(), "kept beside the script"
