"""The folder of a run, opened again to read its tables."""

from __future__ import annotations

import html
import json
from collections.abc import Callable
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
import pandas as pd
import pyarrow as pa
from pydantic import ValidationError

from linemap.errors import RunFolderError
from linemap.settings import Settings
from linemap.whole_folder import RUN_FILE, put_back

CAUTION = (
    "A probability is an estimate, not a finding. A low figure or a low water result never "
    "clears a home. The inventory class comes from records and checks alone."
)

PAGES = (
    ("staff/map.html", "staff map"),
    ("staff/report.html", "staff report"),
    ("lists/kits.xlsx", "homes for the next kits"),
    ("public/map.html", "public map"),
    ("public/report.html", "public report"),
    ("methods.html", "methods"),
)
"""Files that the summary of a run links to, with their names for readers."""


def write_json(path: Path, content: Any) -> None:
    """Write JSON with sorted keys, so that equal content gives equal bytes."""
    text = json.dumps(content, indent=2, sort_keys=True, default=str, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")


def read_record(path: str | Path) -> dict[str, Any]:
    """Read the record of a run, ``run.json``.

    Raises
    ------
    RunFolderError
        If it is not there, or is not the record of a run.
    """
    try:
        record = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise RunFolderError(
            f"{path} cannot be read ({error.strerror}). Check the path."
        ) from error
    except (ValueError, RecursionError) as error:
        raise RunFolderError(
            f"{path} cannot be read ({error}). Repeat the run to write it anew."
        ) from error
    if not isinstance(record, dict):
        raise RunFolderError(f"{path} is not the record of a run. Name the run.json of a run.")
    return record


def recorded_settings(record: dict[str, Any]) -> Settings:
    """Return the settings of a run, as they were.

    Raises
    ------
    RunFolderError
        If the record holds none that this version of linemap understands.
    """
    try:
        return Settings.model_validate_json(json.dumps(record.get("settings")), strict=False)
    except ValidationError as error:
        places = [".".join(map(str, item["loc"])) for item in error.errors()]
        raise RunFolderError(
            f"this version of linemap does not understand the settings in {RUN_FILE}: "
            f"{', '.join(places)}. Run from the settings file instead."
        ) from error


def _in_words(expected: float, low: float, high: float) -> str:
    return f"{expected:,.0f} (90% interval {low:,.0f} to {high:,.0f})"


class Run:
    """A finished run, opened to read its tables.

    Parameters
    ----------
    folder : str or Path
        Folder that a run left.

    Attributes
    ----------
    folder : Path
        The folder.
    info : dict
        Content of ``run.json``: inputs with hashes, settings, seed, versions, counts, times.

    Raises
    ------
    RunFolderError
        If the folder holds no finished run.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder).absolute()
        put_back(self.folder)
        path = self.folder / RUN_FILE
        if not path.is_file():
            raise RunFolderError(
                f"{self.folder} holds no finished run. Name the folder that `linemap run` printed."
            )
        self.info: dict[str, Any] = read_record(path)

    def _load(self, name: str, reader: Callable[..., Any], **options: Any) -> Any:
        """Read one file of the run, or say that it is missing or damaged."""
        path = self.folder / name
        if not path.is_file():
            raise RunFolderError(f"{path} is missing. Repeat the run to write it anew.")
        try:
            return reader(path, **options)
        except (OSError, ValueError, pa.ArrowException) as error:
            raise RunFolderError(
                f"{path} is damaged or may not be read. Repeat the run to write it anew."
            ) from error

    @cached_property
    def scores(self) -> pd.DataFrame:
        """Scores of all parcels by the ``scores`` contract, indexed by parcel_id."""
        return self._load("scores.parquet", pd.read_parquet).set_index("parcel_id", drop=False)

    @cached_property
    def parcels(self) -> gpd.GeoDataFrame:
        """Parcels with geometry [m], indexed by parcel_id."""
        return self._load("tables/parcels.parquet", gpd.read_parquet)

    @cached_property
    def city_areas(self) -> gpd.GeoDataFrame:
        """Planning areas with outline [m]."""
        return self._load("tables/areas.parquet", gpd.read_parquet)

    @cached_property
    def homes(self) -> pd.DataFrame:
        """What the choice of kits works on, indexed by parcel_id."""
        return self._load("tables/homes.parquet", pd.read_parquet)

    @cached_property
    def pairs(self) -> pd.DataFrame:
        """Returned kits with verdict and results by the ``pairs`` contract."""
        return self._load("tables/pairs.parquet", pd.read_parquet)

    @cached_property
    def classes(self) -> pd.DataFrame:
        """Materials and inventory class of each line, indexed by parcel_id."""
        return self._load("tables/classes.parquet", pd.read_parquet)

    @cached_property
    def ages(self) -> pd.DataFrame:
        """Mean probability of lead by five years of building, with 90% interval and homes."""
        return self._load("tables/ages.parquet", pd.read_parquet)

    @cached_property
    def areas(self) -> pd.DataFrame:
        """Areas in order of the chosen aim, by the ``area_list`` contract."""
        return self._load("tables/area_list.parquet", pd.read_parquet)

    @cached_property
    def kits(self) -> pd.DataFrame:
        """Homes for the next kits, by the ``kit_list`` contract."""
        return self._load("tables/kit_list.parquet", pd.read_parquet)

    @cached_property
    def quarantine(self) -> pd.DataFrame:
        """Rows and values that were set aside, with reason and remedy."""
        return self._load("intake/quarantine.csv", pd.read_csv, dtype=str)

    @cached_property
    def evaluation(self) -> dict[str, Any]:
        """Content of ``evaluation.json``."""
        return self._load("evaluation.json", lambda path: json.loads(path.read_bytes()))

    @property
    def settings(self) -> Settings:
        """Settings of the run, as they were."""
        return recorded_settings(self.info)

    @property
    def as_of(self) -> date:
        """Day on which the run stands."""
        return date.fromisoformat(self.info["as_of"])

    @property
    def expected_lead(self) -> pd.Series:
        """Lead lines expected in the city: ``expected, low, high`` [homes], a 90% interval."""
        counts = self.info["result"]
        return pd.Series(
            {
                "expected": counts["expected_lead_lines"],
                "low": counts["low"],
                "high": counts["high"],
            }
        )

    def summary(self) -> list[tuple[str, str]]:
        """Return the main figures of the run as pairs of label and text."""
        counts = self.info["result"]
        wider = counts.get("needs_replacement")
        return [
            ("city", str(self.info["settings"]["city"]["name"])),
            ("parcels", f"{counts['parcels']:,}"),
            ("lines of unknown material", f"{counts['unknown_lines']:,}"),
            (
                "expected lead lines",
                _in_words(**self.expected_lead),
            ),
            *([("expected to need replacement", _in_words(**wider))] if wider else []),
            ("kits on the list", f"{counts['kits']:,}"),
            ("seed", str(self.info["settings"]["scoring"]["seed"])),
        ]

    def __repr__(self) -> str:
        width = max(len(label) for label, _ in self.summary())
        lines = [f"  {label:<{width}}  {text}" for label, text in self.summary()]
        return "\n".join([f"linemap run in {self._place()}", *lines, f"  {CAUTION}"])

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th scope='row' style='text-align:left'>{html.escape(label)}</th>"
            f"<td style='text-align:left'>{html.escape(text)}</td></tr>"
            for label, text in self.summary()
        )
        links = " · ".join(
            f"<a href='{html.escape(self._link(name))}'>{html.escape(words)}</a>"
            for name, words in PAGES
            if (self.folder / name).is_file()
        )
        head = f"<p>linemap run in <code>{html.escape(str(self._place()))}</code></p>"
        return f"{head}<table>{rows}</table><p>{links}</p><p>{html.escape(CAUTION)}</p>"

    def _place(self) -> Path:
        """Return the folder as seen from where the reader works, if it lies below."""
        here = Path.cwd()
        return self.folder.relative_to(here) if self.folder.is_relative_to(here) else self.folder

    def _link(self, name: str) -> str:
        """Return a link to a file; a notebook opens only links relative to itself."""
        place = self._place() / name
        return place.as_uri() if place.is_absolute() else quote(place.as_posix())


def free_name(folder: Path, stem: str, suffix: str) -> Path:
    """Return a path in the folder that does not exist yet, numbering from 2."""
    path = folder / f"{stem}{suffix}"
    number = 2
    while path.exists():
        path = folder / f"{stem}-{number}{suffix}"
        number += 1
    return path
