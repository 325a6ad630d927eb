"""All files of a city to one set of tables that fit together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from linemap.database import is_address
from linemap.errors import InputError, Problem
from linemap.intake.checker import SAME_KEY
from linemap.intake.codes import with_code_faults
from linemap.intake.joins import match_ids, place_parcels, place_sites
from linemap.intake.late_dates import TABLES as DATED
from linemap.intake.late_dates import note_late
from linemap.intake.lost_lead import empty_lost, settle_lost
from linemap.intake.places import check_inside, to_metres, working_crs
from linemap.intake.reading import Dialect, Loaded, load_table, nothing_left, warn_of
from linemap.intake.results import read_results
from linemap.intake.source import Source, fingerprints, open_source
from linemap.intake.unit_doubts import doubt_units
from linemap.settings import Settings
from linemap.tables import INPUT_TABLES, City, empty_table, repeat_columns

PLACED = ("parcels", "areas", "sites")
"""Tables with shapes."""


@dataclass(frozen=True)
class Intake:
    """A city read from its files, and an account of every row of them.

    Attributes
    ----------
    city : City
        Tables that fit together.
    problems : list of Problem
        Every row and value set aside, and every note.
    counts : dict of str to dict of str to int
        For each table that was given: ``rows_in``, ``used``, ``quarantined``, ``cells``. Rows in
        are rows used and rows quarantined; single values set aside are counted apart.
    inputs : list of dict
        ``file``, ``bytes`` and ``sha256`` of each input.
    opted_out : tuple of str
        Parcels whose people want no kits, sorted.
    """

    city: City
    problems: list[Problem]
    counts: dict[str, dict[str, int]]
    inputs: list[dict[str, Any]] = field(default_factory=list)
    opted_out: tuple[str, ...] = ()

    def counts_table(self) -> pd.DataFrame:
        """Return the counts with one row for each table."""
        rows = [{"table": name, **count} for name, count in self.counts.items()]
        return pd.DataFrame(rows, columns=["table", "rows_in", "used", "quarantined", "cells"])


def read_city(settings: Settings, *, tell: Callable[[str], None] | None = None) -> Intake:
    """Read, check and join all files of a city.

    The result does not depend on the order of rows: every table is sorted by its key, and all
    shapes are in the UTM zone of the city, rounded to a millimetre.

    Parameters
    ----------
    settings : Settings
    tell : callable, optional
        Called with a sentence as each file is opened.

    Returns
    -------
    Intake

    Raises
    ------
    InputError
        With every reason, in every file, for which the job cannot be done.
    """
    desk = _Desk()
    for table in INPUT_TABLES:
        name = getattr(settings.files, table)
        if name is None:
            continue
        if tell is not None:
            tell(f"reading {table} from {name}")
        desk.open(table, name, settings)
    if settings.outreach.opt_out is not None:
        desk.open("opt_out", settings.outreach.opt_out, settings)
    _settle_places(desk)
    _settle_ids(desk)
    _settle_results(desk, confirmed=settings.city.units_confirmed)
    desk.stop_if_nothing_left()
    if desk.stops:
        raise InputError(with_code_faults(desk.stops, desk.problems), others=desk.problems)
    tables: dict[str, Any] = {
        name: _in_order(loaded.table, name)
        for name, loaded in desk.loaded.items()
        if name != "opt_out"
    }
    away = desk.loaded["opt_out"].table["parcel_id"] if desk.has("opt_out") else ()
    parcels = tables.pop("parcels").set_index("parcel_id")
    for name in ("areas", "sites"):
        if name not in tables:
            nothing: Any = empty_table(name)
            tables[name] = nothing.set_crs(parcels.crs)
    if "samples" not in tables:
        tables["samples"] = read_results(empty_table("samples"), "")[0]
    if settings.city.as_of is None:
        desk.note_late_dates()
    lost = desk.mark_lost_lead()
    city = City(settings.city.name, parcels, doubts=desk.doubts(), lost_lead=lost, **tables)
    return Intake(city, desk.problems, desk.counts(), desk.inputs, tuple(sorted(set(away))))


class _Desk:
    """Where the files of a city lie while they are matched; every problem is kept."""

    def __init__(self) -> None:
        self.named: list[str] = []
        self.loaded: dict[str, Loaded] = {}
        self.sources: dict[str, Source] = {}
        self.stops: list[Problem] = []
        self.later: list[Problem] = []
        self.inputs: list[dict[str, Any]] = []
        self.unreadable = pd.DataFrame(columns=["kit_id", "draw", "analyte"], dtype=object)

    def open(self, table: str, name: str, settings: Settings) -> None:
        """Read one file; keep the reasons if it cannot be used."""
        self.named.append(table)
        dialect = Dialect(
            settings.columns.get(table, {}),
            settings.values,
            settings.parcel_columns(),
            settings.city.crs,
            settings.city.day_first,
        )
        try:
            source = open_source(_place(name, settings), table, file=name)
            self.sources[table] = source
            self.loaded[table] = loaded = load_table(source, dialect)
            self.inputs += _prints(source, loaded)
        except InputError as error:
            self.stops += error.problems
        except MemoryError:
            self.stops.append(
                self.sources[table].problem(
                    "the table is too large for the memory of this machine.",
                    "Look whether it is the right file, or use a larger machine.",
                )
            )

    def keep(self, name: str, table: pd.DataFrame, problems: Sequence[Problem]) -> None:
        """Replace a table by what is left of it, and keep the problems."""
        old = self.loaded[name]
        self.loaded[name] = replace(old, table=table, problems=[*old.problems, *problems])

    def has(self, *names: str) -> bool:
        """Return whether all of some tables could be read."""
        return all(name in self.loaded for name in names)

    def file(self, name: str) -> str:
        """Return the file of a table as named in the settings."""
        return self.sources[name].file

    def doubts(self) -> pd.DataFrame:
        """Return results that cannot be read, and kits of which a row came twice."""
        twice = sorted(
            {p.value for p in self.problems if p.effect == "row" and p.column == "kit_id"
             and p.table in ("kits", "samples") and p.reason.startswith(SAME_KEY)}
        )  # fmt: skip
        repeated = pd.DataFrame({"kit_id": pd.Series(twice, dtype=object)})
        return pd.concat([self.unreadable.astype(object), repeated], ignore_index=True)

    def note_late_dates(self) -> None:
        """Note the dates that the day of the run passes over."""
        tables = {name: self.loaded[name].table for name in DATED if self.has(name)}
        for late in note_late(tables, {name: self.file(name) for name in tables}):
            self.keep(late.table, self.loaded[late.table].table, [late])

    def mark_lost_lead(self) -> pd.DataFrame:
        """Return what samples that were set aside may say of lead; mark the high ones."""
        loaded = self.loaded.get("samples")
        if loaded is None:
            return empty_lost()
        lost, problems = settle_lost(loaded.rows, loaded.table.index, loaded.problems)
        self.loaded["samples"] = replace(loaded, problems=problems)
        return lost

    @property
    def problems(self) -> list[Problem]:
        """Problems of all tables that do not stop the job."""
        return [p for loaded in self.loaded.values() for p in loaded.problems]

    def stop_if_nothing_left(self) -> None:
        """Stop for each table of which no row is left after matching."""
        for name, loaded in self.loaded.items():
            if loaded.rows_in and not len(loaded.table):
                error = nothing_left(self.sources[name], loaded.rows_in, loaded.problems)
                self.stops += error.problems

    def counts(self) -> dict[str, dict[str, int]]:
        """Return rows read, used and set aside for each table."""
        return {
            name: {
                "rows_in": loaded.rows_in,
                "used": len(loaded.table),
                "quarantined": sum(p.effect == "row" for p in loaded.problems),
                "cells": sum(p.effect == "cell" for p in loaded.problems),
            }
            for name, loaded in self.loaded.items()
        }


def _settle_places(desk: _Desk) -> None:
    """Bring all shapes into one system and give each parcel its area."""
    if not desk.has("parcels"):
        return
    raw = desk.loaded["parcels"].table
    crs = working_crs(raw)
    for name in PLACED:
        if desk.has(name):
            table, problems = to_metres(desk.loaded[name].table, crs, name, desk.file(name))
            desk.keep(name, table, problems)
    if desk.has("areas"):
        parcels, areas = desk.loaded["parcels"].table, desk.loaded["areas"].table
        stops = check_inside(raw, parcels, areas, desk.file("parcels"))
        desk.stops += stops
        if not stops:
            desk.keep("parcels", *place_parcels(parcels, areas, desk.file("parcels")))
    if desk.has("sites"):
        by_id = desk.loaded["parcels"].table.set_index("parcel_id")
        desk.keep("sites", *place_sites(desk.loaded["sites"].table, by_id, desk.file("sites")))


def _settle_ids(desk: _Desk) -> None:
    """Match lines, checks and kits to parcels, samples and answers to kits."""
    for names, owner, column in (
        (("lines", "checks", "kits", "opt_out"), "parcels", "parcel_id"),
        (("samples", "answers"), "kits", "kit_id"),
    ):
        for name in names:
            if desk.has(name, owner):
                loaded = desk.loaded[owner]
                table, problems = match_ids(
                    desk.loaded[name].table,
                    pd.Index(loaded.table[column]),
                    column=column,
                    table=name,
                    file=desk.file(name),
                    noun=owner.removesuffix("s"),
                    set_aside=loaded.ids,
                )
                desk.keep(name, table, problems)
            elif desk.has(name) and owner not in desk.named:
                desk.stops.append(
                    desk.sources[name].problem(
                        f"{name} were given without {owner}.",
                        f"Name the file of the {owner} under [files].",
                    )
                )


def _settle_results(desk: _Desk, *, confirmed: bool) -> None:
    """Read the results of the laboratory and doubt their units where there is reason."""
    if not desk.has("samples"):
        return
    file = desk.file("samples")
    before = desk.loaded["samples"].table
    desk.keep("samples", *read_results(before, file))
    lost = ~before.index.isin(desk.loaded["samples"].table.index)
    desk.unreadable = before.loc[lost, ["kit_id", "draw", "analyte"]]
    if desk.has("kits"):
        kits = desk.loaded["kits"].table
        samples = desk.loaded["samples"].table
        desk.keep("samples", *doubt_units(samples, kits, file, confirmed=confirmed))


def _place(name: str, settings: Settings) -> str | Path:
    """Return where an input is: an address as it stands, a file beside the settings file."""
    return name if is_address(name) else Path(settings.folder) / name


def _prints(source: Source, loaded: Loaded) -> list[dict[str, Any]]:
    """Return size and hash of what was read, or of the files where they can be read again."""
    return [loaded.content] if loaded.content else fingerprints(source)


def _in_order(table: pd.DataFrame, name: str) -> Any:
    """Return a table sorted by its key, with a plain index."""
    keys = [table[key].astype(str) for key in repeat_columns(name)]
    return table.iloc[np.lexsort([k.to_numpy(str) for k in reversed(keys)])].reset_index(drop=True)


def read_parcels(
    path: str | Path,
    *,
    columns: Mapping[str, str] | None = None,
    values: Mapping[str, Mapping[str, str]] | None = None,
    extra: Sequence[str] = (),
    crs: str | None = None,
) -> gpd.GeoDataFrame:
    """Read parcels alone.

    Parameters
    ----------
    path : str or Path
        A file of shapes, or a table with longitude and latitude.
    columns, values, extra, crs
        As for :func:`read_table`.

    Returns
    -------
    GeoDataFrame
        Indexed and sorted by ``parcel_id``, in the local UTM zone [m].

    Raises
    ------
    InputError
        With every reason for which the file cannot be used.

    Warns
    -----
    InputWarning
        If rows or values were set aside.
    """
    source = open_source(path, "parcels")
    loaded = load_table(source, Dialect(columns or {}, values or {}, extra, crs))
    table, problems = to_metres(loaded.table, working_crs(loaded.table), "parcels", source.file)
    warn_of([*loaded.problems, *problems])
    return _in_order(table, "parcels").set_index("parcel_id")


def read_samples(
    path: str | Path,
    *,
    columns: Mapping[str, str] | None = None,
    values: Mapping[str, Mapping[str, str]] | None = None,
) -> pd.DataFrame:
    """Read the results of a laboratory alone.

    Parameters
    ----------
    path : str or Path
    columns, values
        As for :func:`read_table`.

    Returns
    -------
    DataFrame
        By the contract, with ``value_ug_l`` (NaN where below the limit) and ``limit_ug_l``
        [ug/L] and ``below_limit``.

    Raises
    ------
    InputError
        With every reason for which the file cannot be used.

    Warns
    -----
    InputWarning
        If results were set aside.
    """
    source = open_source(path, "samples")
    loaded = load_table(source, Dialect(columns or {}, values or {}))
    table, problems = read_results(loaded.table, source.file)
    warn_of(settle_lost(loaded.rows, table.index, [*loaded.problems, *problems])[1])
    return _in_order(table, "samples")


def read_opt_outs(settings: Settings) -> tuple[str, ...]:
    """Return the parcels whose people want no kits.

    Parameters
    ----------
    settings : Settings
        ``outreach.opt_out`` names a table with a column ``parcel_id``.

    Returns
    -------
    tuple of str
        Sorted; empty if no file was named.

    Raises
    ------
    InputError
        If the file cannot be read: nobody must get a kit because a list was lost.
    """
    name = settings.outreach.opt_out
    if name is None:
        return ()
    source = open_source(_place(name, settings), "opt_out", file=name)
    loaded = load_table(source, Dialect(settings.columns.get("opt_out", {}), {}))
    return tuple(sorted(set(loaded.table["parcel_id"])))
