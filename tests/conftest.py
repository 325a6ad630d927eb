"""Shared by all tests: one finished run on the shipped sample, made once for all workers."""

import fcntl
import os
from pathlib import Path

import pytest

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "synthetic_city" / "sample"


def once(tmp_path_factory: pytest.TempPathFactory, name: str, make) -> Path:
    """Make a folder once for all test workers and return it."""
    base = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent
    place = base / name
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not place.exists():
            make(place)
    return place


@pytest.fixture(scope="session")
def sample_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a finished run on the shipped sample. Read only: other tests use it too."""
    from linemap.pipeline import run
    from linemap.settings import load_settings

    def make(place: Path) -> None:
        run(load_settings(SAMPLE / "settings.toml"), place)

    return once(tmp_path_factory, "sample-run", make)
