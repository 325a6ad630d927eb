"""Tables of a state to settings files of its cities, within the folder of all of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from linemap.database import is_address
from linemap.errors import SettingsError
from linemap.intake import part_state, quarantine_table
from linemap.outputs import write_csv
from linemap.run_folder import write_json
from linemap.settings import Settings, load_settings, settings_text
from linemap.whole_folder import refuse_others, replaced_files

PARTED = "parted_files"
"""Folder of the cities' tables and settings."""


def part_states(
    files: Sequence[str], out: Path, mark: str
) -> tuple[list[str], list[dict[str, Any]]]:
    """Replace the settings file of each state by those of its cities.

    Parameters
    ----------
    files : sequence of str
        Settings files; one with ``files.city_column`` is that of a state.
    out : Path
        Folder of all cities. Gets ``parted_files``, ``rows.csv`` and ``quarantine.csv`` if there
        is a state.
    mark : str
        File by which the folder is known as ours.

    Returns
    -------
    list of str
        Settings files of cities only.
    list of dict
        Rows of each table of the states: ``table, rows_in, parted, quarantined``.

    Raises
    ------
    SettingsError, InputError, RunFolderError
        If a state cannot be parted; nothing is written then.
    """
    states = {file: read for file in files if (read := _state(file))}
    if not states:
        return list(files), []
    refuse_others(out, mark, "runs of several cities")
    cities: list[str] = []
    rows: list[dict[str, Any]] = []
    problems = []
    with replaced_files(out) as work:
        for file in files:
            if file not in states:
                cities.append(file)
                continue
            state = part_state(states[file], work / PARTED, folder_name)
            for name in state.cities:
                place = Path(PARTED) / folder_name(name) / "settings.toml"
                text = settings_text(_of_city(states[file], name, state.files[name]))
                (work / place).write_text(text + "\n", encoding="utf-8")
                cities.append(str(out / place))
            rows += state.counts
            problems += state.problems
        write_csv(pd.DataFrame(rows), work / "rows.csv")
        write_csv(quarantine_table(problems), work / "quarantine.csv")
        if not (out / mark).is_file():
            write_json(work / mark, {"cities": [], "rows": rows})
    return cities, rows


def folder_name(name: str) -> str:
    """Return a city's name as the name of a folder.

    >>> folder_name("St. Mary's / North"), folder_name("../..")
    ('st-mary-s-north', 'city')
    """
    return re.sub(r"[^\w]+", "-", name.casefold()).strip("-_") or "city"


def _state(file: str) -> Settings | None:
    """Return the settings of a state; None where they are a city's, or cannot be read."""
    try:
        settings = load_settings(file)
    except SettingsError:  # said of that file alone, where cities are planned
        return None
    return settings if settings.files.city_column else None


def _of_city(state: Settings, name: str, tables: Sequence[str]) -> Settings:
    """Return the settings of one city of a state, for its own folder."""
    files = state.files.model_validate({table: f"{table}.parquet" for table in tables})
    city = state.city.model_copy(update={"name": name})
    city.model_fields_set.add("name")
    out = state.model_copy(update={"files": files, "city": city})
    away = state.outreach.opt_out
    if away is not None and not is_address(away):
        whole = str((Path(state.folder) / away).absolute())
        out = out.model_copy(
            update={"outreach": state.outreach.model_copy(update={"opt_out": whole})}
        )
    return out
