"""What a settings file refers to: files and their sheets, tables, columns and codes."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

from linemap.database import is_address, read_address
from linemap.errors import DatabaseError
from linemap.tables import INPUT_TABLES, contract, mappable_columns


def nearest(name: str, valid: list[str]) -> str:
    """Return a hint at the valid name that is nearest, and all valid names."""
    near = difflib.get_close_matches(name, valid, n=1, cutoff=0.5)
    hint = f" Did you mean {near[0]}?" if near else ""
    return f"{hint} Valid names: {', '.join(valid)}."


def split_part(name: str | Path) -> tuple[Path, str | None]:
    """Split ``file.xlsx#Sheet`` into the file and its sheet or layer.

    Parameters
    ----------
    name : str or Path
        Path of a file, with ``#`` and the name of a sheet or layer after it or without.

    Returns
    -------
    Path, str or None
        A file whose own name holds a ``#`` is taken as it stands if it exists.

    Examples
    --------
    >>> split_part("kits.xlsx#2024")[1]
    '2024'
    >>> split_part("kits.csv")[1] is None
    True
    """
    path = Path(name)
    if "#" not in path.name or path.exists():
        return path, None
    file, _, part = path.name.partition("#")
    return (path.with_name(file), part or None) if file else (path, None)


def mapping_faults(raw: dict[str, Any]) -> list[str]:
    """Check that [columns.TABLE] and [values.NAME] refer to tables and columns that exist."""
    faults = []
    columns = raw.get("columns", {})
    if isinstance(columns, dict):
        for table, mapping in columns.items():
            if table not in (*INPUT_TABLES, "opt_out"):
                faults.append(
                    f"columns.{table} is not a table.{nearest(table, list(INPUT_TABLES))}"
                )
            elif isinstance(mapping, dict):
                valid = list(mappable_columns(table))
                faults += [
                    f"columns.{table}.{name} is not a column of {table}.{nearest(name, valid)}"
                    for name in mapping
                    if name not in valid
                ]
    values = raw.get("values", {})
    if isinstance(values, dict):
        allowed = _value_names()
        for name, mapping in values.items():
            if name not in allowed:
                faults.append(f"values.{name} is not a coded column.{nearest(name, list(allowed))}")
            elif isinstance(mapping, dict):
                faults += [
                    f"values.{name}.{code} = {target!r} is not a value of {name}."
                    f"{nearest(str(target), list(allowed[name]))}"
                    for code, target in mapping.items()
                    if target not in allowed[name]
                ]
    return faults


def _value_names() -> dict[str, tuple[str, ...]]:
    """Return the names that may stand under [values], with the values they may take."""
    names: dict[str, tuple[str, ...]] = {}
    for table in INPUT_TABLES:
        for column in contract(table).values():
            if column.kind == "material":
                names["material"] = tuple(
                    dict.fromkeys((*names.get("material", ()), *column.allowed))
                )
            elif column.kind == "enum":
                names[column.name] = column.allowed
    return names


def missing_files(raw: dict[str, Any], folder: Path) -> list[str]:
    """Return a fault for each file or table of a settings file that cannot be opened."""
    listed = raw.get("files", {})
    if not isinstance(listed, dict):
        return []
    wanted = [(f"files.{name}", value) for name, value in listed.items() if name in INPUT_TABLES]
    outreach = raw.get("outreach", {})
    if isinstance(outreach, dict) and "opt_out" in outreach:
        wanted.append(("outreach.opt_out", outreach["opt_out"]))
    return [
        f"{place} = {value!r}: {fault}"
        for place, value in wanted
        if isinstance(value, str) and (fault := _file_fault(value, folder))
    ]


def _file_fault(name: str, folder: Path) -> str:
    """Say why a file or table cannot be opened; empty if it can be tried."""
    if is_address(name):
        try:
            read_address(name)
        except DatabaseError as error:
            return error.reason
        return ""
    if "\0" in name:
        return "this cannot be the name of a file. Check the name."
    try:
        path = split_part(folder / name)[0]
        if path.is_file():
            return ""
        if path.exists():
            return "this is not a plain file. Name a file, not a folder or a device."
    except OSError as error:
        return f"this cannot be opened ({error.strerror}). Check the name."
    return f"there is no such file in {folder}. Check the name."
