"""The pictures of README.md are taken by a script from a real run."""

import importlib.util
import struct
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "notebooks" / "pictures" / "draw.py"

pytestmark = pytest.mark.browser


def test_every_picture_is_drawn_and_kept(sample_run, tmp_path):
    spec = importlib.util.spec_from_file_location("draw_pictures", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    for path in module.draw(sample_run, tmp_path):
        content = path.read_bytes()
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        width, height = struct.unpack(">II", content[16:24])
        assert (width, height) == module.PICTURES[path.name][1:]
        assert len(content) > 30_000, "not an empty page"
        assert (SCRIPT.parent / path.name).is_file()
