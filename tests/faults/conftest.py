"""A tiny city that a test may spoil, and functions to look at folders and forked processes."""

import os
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from linemap.settings import parse_settings

SHAPED = ("parcels", "areas")
TABLES = ("parcels", "areas", "lines", "checks", "kits", "samples", "answers", "sites")
QUICK = {"evaluation": {"protocols": ["random"], "folds": 2, "bootstrap": 20}}


def _tree(folder: Path) -> dict[str, bytes]:
    """Return the content of every file of a folder."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _in_child(work) -> int:
    """Run a function in a forked child; return 0 if it ended well, minus the signal if killed."""
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            work()
            code = 0
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


@pytest.fixture(scope="session")
def tree():
    """Function that returns the content of every file of a folder."""
    return _tree


@pytest.fixture(scope="session")
def in_child():
    """Function that runs another in a forked process and returns how that ended."""
    return _in_child


@pytest.fixture
def spoiled_city(tiny_city, tmp_path):
    """Write the tiny city with its tables changed; return its settings.

    ``spoiled_city(change, **settings)``: the function gets a dict of tables and may change,
    replace or drop them.
    """

    def write(change=lambda tables: None, **settings):
        tables = {
            name: gpd.read_file(tiny_city / f"{name}.gpkg")
            if name in SHAPED
            else pd.read_csv(tiny_city / f"{name}.csv", dtype=str)
            for name in TABLES
        }
        change(tables)
        files = {}
        for name, table in tables.items():
            files[name] = f"{name}.gpkg" if name in SHAPED else f"{name}.csv"
            if name in SHAPED:
                table.to_file(tmp_path / files[name])
            else:
                table.to_csv(tmp_path / files[name], index=False)
        return parse_settings({"files": files, **QUICK, **settings}, folder=tmp_path)

    return write
