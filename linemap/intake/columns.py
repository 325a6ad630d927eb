"""Which column of a file holds which column of the contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from linemap.errors import InputError, Problem
from linemap.intake.checker import missing_column
from linemap.intake.source import Source
from linemap.tables import COORDINATES, contract

SHORT = 10
"""Letters to which a Shapefile cuts the names of its columns."""


def pick_columns(
    source: Source,
    names: Sequence[str],
    mapping: Mapping[str, str],
    extra: Sequence[str] = (),
    *,
    has_shapes: bool = False,
) -> dict[str, str]:
    """Find the wanted columns among those of a file.

    A name that was mapped must be there. Other names may differ in case and in spaces at the
    ends; in a Shapefile they may be cut after ten letters.

    Parameters
    ----------
    source : Source
    names : sequence of str
        Column names of the file.
    mapping : mapping of str to str
        Names in the file by names of the contract.
    extra : sequence of str
        Further columns that must be there.
    has_shapes : bool, default False
        Whether the file holds shapes, so that longitude and latitude are not looked for.

    Returns
    -------
    dict of str to str
        Names in the file by names of the contract, with longitude and latitude where a place
        is made of them.

    Raises
    ------
    InputError
        Naming every column that is missing or stands twice.
    """
    columns = contract(source.table)
    wanted = [name for name, column in columns.items() if column.kind != "geometry"]
    needed = {name for name in wanted if columns[name].required}
    if "geometry" in columns and not has_shapes:
        wanted += COORDINATES
        needed |= {*COORDINATES} if columns["geometry"].required else set()
    if source.table == "parcels":
        wanted += [name for name in extra if name not in wanted]
        needed |= {*extra}
    if source.table == "areas" and not has_shapes:
        raise source.refusal(
            "areas need outlines, and this file has none.",
            "Give a file of shapes, e.g. GeoPackage or GeoJSON.",
            column="geometry",
        )
    short = source.path.suffix.lower() in (".shp", ".shz", ".zip")
    picked: dict[str, str] = {}
    problems: list[Problem] = []
    for name in wanted:
        sought = mapping.get(name, name)
        found = _matches(sought, names, short=short)
        if len(found) > 1:
            problems.append(
                source.problem(
                    f"{len(found)} columns are named {found[0].strip()}.",
                    "Rename or drop all but one.",
                    column=name,
                )
            )
        elif found:
            picked[name] = found[0]
        elif name in mapping:
            problems.append(
                source.problem(
                    f"there is no column {sought} in the file, as [columns.{source.table}] says.",
                    f"Its columns are: {_listed(names)}.",
                    column=name,
                )
            )
        elif name in needed and name in COORDINATES:
            problems.append(
                source.problem(
                    f"the file has no shapes and no column {name}.",
                    "Give a file of shapes, or longitude and latitude in degrees; another name "
                    f"of theirs goes under [columns.{source.table}].",
                    column=name,
                )
            )
        elif name in needed and name not in columns:
            problems.append(
                source.problem(
                    "this column is named in scoring.extra and is missing.",
                    f"Its columns are: {_listed(names)}.",
                    column=name,
                )
            )
        elif name in needed:
            problems.append(missing_column(name, source.table, source.file))
    if problems:
        raise InputError(problems)
    return picked


def _matches(sought: str, names: Sequence[str], *, short: bool) -> list[str]:
    """Return the names that may be meant, the exact one if it is there."""
    exact = [name for name in names if name == sought]
    if exact:
        return exact
    folded = sought.strip().casefold()
    loose = [name for name in names if name.strip().casefold() == folded]
    if loose or not short:
        return loose
    return [name for name in names if name.strip().casefold() == folded[:SHORT]]


def _listed(names: Sequence[str], most: int = 12) -> str:
    """Return some names as a list in words."""
    listed = ", ".join(name.strip() or "(no name)" for name in names[:most])
    return f"{listed} and {len(names) - most} more" if len(names) > most else listed
