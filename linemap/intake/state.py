"""The tables of a state, in which a column names the city, parted into those of its cities.

A row belongs to the city that its own cell names; where a table has no such column, to the city of
its parcel or of its kit. Rows of which the city is not known are set aside with the reason, so
that rows in are rows parted and rows set aside.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from linemap.database import is_address
from linemap.errors import InputError, Problem
from linemap.intake.checker import row_problems
from linemap.intake.columns import pick_columns
from linemap.intake.lost_lead import settle_lost
from linemap.intake.reading import column_names, has_shapes, read_text
from linemap.intake.source import RawTable, Source, open_source
from linemap.settings import Settings
from linemap.tables import INPUT_TABLES, contract

OWNERS = {
    "lines": ("parcels", "parcel_id"),
    "checks": ("parcels", "parcel_id"),
    "kits": ("parcels", "parcel_id"),
    "sites": ("parcels", "parcel_id"),
    "samples": ("kits", "kit_id"),
    "answers": ("kits", "kit_id"),
}
"""Table that a row without a city follows, and the column by which it is found there."""

ORDER = ("parcels", "kits", *(t for t in INPUT_TABLES if t not in ("parcels", "kits")))
"""Owners first."""

ROW = "row_in_state"
"""Column of a parted table with the number of the row in the state's."""

NOWHERE, SEVERAL = -1, -2
"""Codes of a row whose city is not known, or whose id stands in several."""


@dataclass
class State:
    """A state parted into its cities.

    Attributes
    ----------
    cities : list of str
        Names as first written, sorted.
    files : dict of str to list of str
        Tables that each city has rows of.
    counts : list of dict
        ``table``, ``rows_in``, ``parted``, ``quarantined`` of each table.
    problems : list of Problem
        Every row that was set aside, with the reason.
    """

    cities: list[str] = field(default_factory=list)
    files: dict[str, list[str]] = field(default_factory=dict)
    counts: list[dict[str, str | int]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def part_state(settings: Settings, folder: Path, folder_of: Callable[[str], str]) -> State:
    """Part the tables of a state into a Parquet file for each table and city.

    Cells stay the text that they were, so each city reads them as it would have read the state's.

    Parameters
    ----------
    settings : Settings
        With ``files.city_column``.
    folder : Path
        Gets ``CITY/TABLE.parquet``.
    folder_of : callable
        Name of the folder of a city.

    Returns
    -------
    State

    Raises
    ------
    InputError
        If a table cannot be read, or says neither a city nor what its rows belong to.
    """
    state = State()
    owners: dict[str, pd.Series] = {}
    stops: list[Problem] = []
    for table in ORDER:
        name = getattr(settings.files, table)
        if name is None:
            continue
        try:
            where = name if is_address(name) else Path(settings.folder) / name
            source = open_source(where, table, file=name)
            _part_table(source, settings, lambda c: folder / folder_of(c), state, owners)
        except InputError as error:
            stops += error.problems
            if table == "parcels":
                break
    if stops:
        raise InputError(stops, others=state.problems)
    return state


def city_key(names: pd.Series) -> pd.Series:
    """Return names of cities in the form in which they are the same; empty ones are missing.

    >>> city_key(pd.Series([" Alder  Falls", "ALDER FALLS ", " "])).tolist()
    ['alder falls', 'alder falls', None]
    """
    words = names.astype(object).map(
        lambda name: " ".join(str(name).casefold().split()) or None if pd.notna(name) else None
    )
    return words.where(words.notna(), None)


def _part_table(
    source: Source,
    settings: Settings,
    place: Callable[[str], Path],
    state: State,
    owners: dict[str, pd.Series],
) -> None:
    """Read one table, find the city of every row, write a file for each city."""
    table, column = source.table, str(settings.files.city_column)
    names = column_names(source)
    drawn = "geometry" in contract(table) and has_shapes(source)
    picked = pick_columns(
        source,
        names,
        settings.columns.get(table, {}),
        settings.parcel_columns(),
        has_shapes=drawn,
    )
    found = [name for name in names if name.strip().casefold() == column.strip().casefold()]
    city = found[0] if found else None
    owner, key = OWNERS.get(table, ("", ""))
    if city is None and (key not in picked or owner not in owners):
        raise source.refusal(
            f"there is no column {column}, so nobody knows to which city the rows belong.",
            "Add the column, or correct files.city_column.",
            column=column,
        )
    wanted = dict.fromkeys([*picked.values(), *found[:1]])
    raw = read_text(source, list(wanted), shapes=drawn)
    rows = pd.Index(raw.rows, name="row")
    if city is not None:
        said = raw.text.column(city).to_pandas().set_axis(rows)
        if table == "parcels":
            _name_cities(said, state)
        keys = [*city_key(pd.Series(state.cities, dtype=object))]
        code = pd.Categorical(city_key(said), categories=keys).codes.astype(np.int64)
        reasons = _reasons_of_cell(said, code, state)
    else:
        city = picked[key]
        said = raw.text.column(city).to_pandas().set_axis(rows)
        code = said.str.strip().map(owners[owner]).fillna(NOWHERE).to_numpy(np.int64)
        reasons = _reasons_of_owner(said, code, owner, key)
    aside: list[Problem] = []
    for mask, reason, remedy in reasons:
        bad = rows[mask]
        aside += row_problems(
            source.file, table, city, bad, said[mask].fillna(""), reason, remedy, "row"
        )
    if table == "samples" and aside:
        cells = {name: raw.text.column(picked[name]).to_pandas() for name in picked}
        aside = settle_lost(pd.DataFrame(cells).set_axis(rows), rows[code >= 0], aside)[1]
    state.problems += aside
    if table in ("parcels", "kits"):
        ids = raw.text.column(picked["parcel_id" if table == "parcels" else "kit_id"]).to_pandas()
        owners[table] = _city_of_ids(ids.str.strip(), code)
    state.problems += raw.problems
    broken = sum(problem.effect == "row" for problem in raw.problems)
    parted = int((code >= 0).sum())
    state.counts.append(
        {
            "table": table,
            "rows_in": len(rows) + broken,
            "parted": parted,
            "quarantined": len(rows) - parted + broken,
        }
    )
    for at in np.unique(code[code >= 0]):
        name = state.cities[at]
        state.files.setdefault(name, []).append(table)
        _write(raw, np.flatnonzero(code == at), list(picked.values()), place(name) / table)


def _name_cities(said: pd.Series, state: State) -> None:
    """Learn the names of the cities from the parcels."""
    first = said.str.split().str.join(" ").groupby(city_key(said).to_numpy()).first()
    state.cities = sorted(map(str, first))


Reason = tuple[np.ndarray, str, str]


def _reasons_of_cell(said: pd.Series, code: np.ndarray, state: State) -> list[Reason]:
    """Return why rows that name a city themselves are set aside."""
    empty = city_key(said).isna().to_numpy()
    return [
        (empty, "no city is named.", "Fill in the city of this row."),
        (
            (code < 0) & ~empty,
            "no parcel is in a city of this name.",
            "Correct the name, or add the parcels of the city.",
        ),
    ]


def _reasons_of_owner(said: pd.Series, code: np.ndarray, owner: str, key: str) -> list[Reason]:
    """Return why rows that follow their parcel or kit are set aside."""
    one = owner.removesuffix("s")
    return [
        (
            code == NOWHERE,
            f"no {one} of any city has this {key}, so the city is not known.",
            f"Correct the id, add the {one}, or add a column with the city.",
        ),
        (
            code == SEVERAL,
            f"this {key} stands in several cities.",
            "Add a column with the city to this table.",
        ),
    ]


def _city_of_ids(ids: pd.Series, code: np.ndarray) -> pd.Series:
    """Return the city of each id; ``SEVERAL`` where it stands in more than one."""
    table = pd.DataFrame({"id": ids.to_numpy(dtype=object), "city": code})
    table = table[(code >= 0) & table["id"].notna().to_numpy()].drop_duplicates()
    twice = table["id"].duplicated(keep=False)
    table.loc[twice, "city"] = SEVERAL
    return table.drop_duplicates().set_index("id")["city"]


def _write(raw: RawTable, rows: np.ndarray, columns: list[str], path: Path) -> None:
    """Write some rows of a table as text, with their numbers and shapes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    text = raw.text.select(list(dict.fromkeys(columns))).take(pa.array(rows))
    if ROW not in text.column_names:
        text = text.append_column(ROW, pa.array(raw.rows[rows]))
    file = path.with_suffix(".parquet")
    if raw.shapes is None:
        pq.write_table(text, file)
        return
    shapes = gpd.GeoSeries(raw.shapes[rows], crs=raw.crs)
    frame = gpd.GeoDataFrame(text.to_pandas(), geometry=shapes.to_numpy(), crs=shapes.crs)
    frame.to_parquet(file, index=False)
