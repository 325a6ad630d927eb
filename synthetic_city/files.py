"""Write the city as a utility would hand it over: contract files, settings, and the truth apart."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyogrio

from synthetic_city.city import InventedCity

TABLES = ("lines", "checks", "kits", "samples", "answers", "sites")
_ONLY_IN_MEMORY = ["value_ug_l", "limit_ug_l", "below_limit"]
_STAMP = "2026-10-15T00:00:00.000Z"


def write_city(city: InventedCity, folder: str | Path) -> Path:
    """Write the city to a folder.

    ``parcels.gpkg`` and ``areas.gpkg`` (GeoPackage), CSV tables, ``settings.toml``, and
    ``truth/truth.parquet`` with ``truth/areas.parquet`` apart, which no utility has. Files of
    the same names are replaced. The same city gives the same bytes: GeoPackage keeps the time of
    its last change, so that is set to one fixed day.

    Parameters
    ----------
    city : InventedCity
    folder : str or Path

    Returns
    -------
    Path
        The settings file.
    """
    folder = Path(folder)
    (folder / "truth").mkdir(parents=True, exist_ok=True)
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _STAMP})
    try:
        for name, table in (("parcels", city.parcels.reset_index()), ("areas", city.areas)):
            path = folder / f"{name}.gpkg"
            path.unlink(missing_ok=True)
            pyogrio.write_dataframe(_whole_numbers(table), path, layer=name, use_arrow=True)
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
    for name in TABLES:
        table = getattr(city, name)
        if name == "lines":
            table = table.reset_index()
        table = _whole_numbers(table.drop(columns=_ONLY_IN_MEMORY, errors="ignore"))
        table.to_csv(
            folder / f"{name}.csv", index=False, date_format="%Y-%m-%d", lineterminator="\n"
        )
    city.truth.reset_index().to_parquet(folder / "truth" / "truth.parquet", index=False)
    city.area_truth.reset_index().to_parquet(folder / "truth" / "areas.parquet", index=False)
    settings = folder / "settings.toml"
    settings.write_text(settings_text(city), encoding="utf-8", newline="\n")
    return settings


def settings_text(city: InventedCity) -> str:
    """Return the settings file of a written city."""
    kits = max(round(len(city.parcels) / 50), 40)
    files = "\n".join(f'{name} = "{name}.csv"' for name in TABLES)
    return f"""\
# Settings for {city.name}, an invented city; run with: linemap run settings.toml --out DIR

[city]
name = "{city.name}"

[files]
parcels = "parcels.gpkg"
areas = "areas.gpkg"
{files}

[scoring]
seed = {city.seed}

[outreach]
kits = {kits}
"""


def _whole_numbers(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with whole-number columns as integers, so that files say 1926 not 1926.0."""
    out = table.copy()
    for name in (
        "year_built",
        "main_year",
        "installed_year",
        "built_said",
        "dwelling_units",
        "points",
    ):
        if name in out.columns:
            out[name] = out[name].astype("Int64")
    for name in ("children_under_6", "median_income", "population", "assessed_value"):
        if name in out.columns:
            out[name] = out[name].astype("Int64")
    return out
