"""The folder of a run: written whole or not at all, and opened again later.

A run is written into a hidden folder beside its destination and moved there in one step when
everything is in place. The earlier run stays untouched until then. A lock keeps two runs from
writing into one folder; a run that was cut off between the two moves is put back on the next
opening.
"""

from __future__ import annotations

import errno
import fcntl
import html
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
import pandas as pd

from linemap.errors import RunFolderError
from linemap.settings import Settings

RUN_FILE = "run.json"
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


@contextmanager
def new_run_folder(out: str | Path) -> Iterator[Path]:
    """Give a folder to write a run into; put it in place only if the block ends well.

    Parameters
    ----------
    out : str or Path
        Destination. May exist only if it is empty or holds an earlier run.

    Yields
    ------
    Path
        Hidden working folder beside the destination.

    Raises
    ------
    RunFolderError
        If the destination is not a run folder, not writable, or in use by another run, or if
        the disk is full.
    """
    out = Path(out).absolute()
    _put_back(out)
    _refuse_strangers(out)
    with _locked(out):
        work = out.parent / f".{out.name}.unfinished"
        try:
            shutil.rmtree(work, ignore_errors=True)
            work.mkdir()
            yield work
            _restrict(work)
            _swap(work, out)
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EACCES, errno.EROFS, errno.EDQUOT, errno.EPERM):
                raise RunFolderError(_disk_message(out, error)) from error
            raise
        finally:
            shutil.rmtree(work, ignore_errors=True)


@contextmanager
def _locked(out: Path) -> Iterator[None]:
    """Hold the lock of a destination, or say that another run holds it."""
    path = out.parent / f".{out.name}.lock"
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        lock = path.open("w")
    except OSError as error:
        raise RunFolderError(_disk_message(out, error)) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            # A run that has just ended may have taken the name of the file away under us.
            ours = path.exists() and os.path.samestat(os.fstat(lock.fileno()), path.stat())
        except BlockingIOError:
            ours = False
        if not ours:
            raise RunFolderError(
                f"another run is writing into {out}. Wait for it, or choose another --out."
            )
        try:
            yield
        finally:
            path.unlink(missing_ok=True)


def _disk_message(out: Path, error: OSError) -> str:
    return (
        f"cannot write the run into {out}: {error.strerror}. Nothing there was changed. "
        "Free some space or choose a folder that you may write to with --out."
    )


def _refuse_strangers(out: Path) -> None:
    if out.is_symlink():
        raise RunFolderError(f"{out} is a link. Name the folder itself with --out.")
    if out.exists() and not out.is_dir():
        raise RunFolderError(f"{out} is a file, not a folder. Choose another --out.")
    if out.is_dir() and any(out.iterdir()) and not (out / RUN_FILE).is_file():
        raise RunFolderError(
            f"{out} holds files that are not a linemap run, so nothing was written. "
            "Choose an empty or new folder with --out."
        )


def _swap(work: Path, out: Path) -> None:
    previous = out.parent / f".{out.name}.previous"
    shutil.rmtree(previous, ignore_errors=True)
    if out.exists():
        out.rename(previous)
    work.rename(out)
    shutil.rmtree(previous, ignore_errors=True)


def _put_back(out: Path) -> None:
    """Mend a run that was cut off between the two moves of ``_swap``."""
    previous = out.parent / f".{out.name}.previous"
    if previous.is_dir() and not out.exists():
        previous.rename(out)


def _restrict(folder: Path) -> None:
    """Let only the owner read staff files; the public edition is readable by all."""
    for path in folder.rglob("*"):
        public = "public" in path.relative_to(folder).parts
        if path.is_dir():
            path.chmod(0o755 if public else 0o700)
        else:
            path.chmod(0o644 if public else 0o600)


def write_json(path: Path, content: Any) -> None:
    """Write JSON with sorted keys, so that equal content gives equal bytes."""
    text = json.dumps(content, indent=2, sort_keys=True, default=str, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")


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
        _put_back(self.folder)
        path = self.folder / RUN_FILE
        if not path.is_file():
            raise RunFolderError(
                f"{self.folder} holds no finished run. Name the folder that `linemap run` printed."
            )
        try:
            self.info: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        except (UnicodeDecodeError, json.JSONDecodeError) as error:
            raise RunFolderError(
                f"{path} cannot be read ({error}). Repeat the run to write it anew."
            ) from error

    def _read(self, name: str) -> Path:
        path = self.folder / name
        if not path.is_file():
            raise RunFolderError(f"{path} is missing. Repeat the run to write it anew.")
        return path

    @cached_property
    def scores(self) -> pd.DataFrame:
        """Scores of all parcels by the ``scores`` contract, indexed by parcel_id."""
        return pd.read_parquet(self._read("scores.parquet")).set_index("parcel_id", drop=False)

    @cached_property
    def parcels(self) -> gpd.GeoDataFrame:
        """Parcels with geometry [m], indexed by parcel_id."""
        return gpd.read_parquet(self._read("tables/parcels.parquet"))

    @cached_property
    def city_areas(self) -> gpd.GeoDataFrame:
        """Planning areas with outline [m]."""
        return gpd.read_parquet(self._read("tables/areas.parquet"))

    @cached_property
    def homes(self) -> pd.DataFrame:
        """What the choice of kits works on, indexed by parcel_id."""
        return pd.read_parquet(self._read("tables/homes.parquet"))

    @cached_property
    def pairs(self) -> pd.DataFrame:
        """Returned kits with verdict and results by the ``pairs`` contract."""
        return pd.read_parquet(self._read("tables/pairs.parquet"))

    @cached_property
    def classes(self) -> pd.DataFrame:
        """Materials and inventory class of each line, indexed by parcel_id."""
        return pd.read_parquet(self._read("tables/classes.parquet"))

    @cached_property
    def areas(self) -> pd.DataFrame:
        """Areas in order of the chosen aim, by the ``area_list`` contract."""
        return pd.read_parquet(self._read("tables/area_list.parquet"))

    @cached_property
    def kits(self) -> pd.DataFrame:
        """Homes for the next kits, by the ``kit_list`` contract."""
        return pd.read_parquet(self._read("tables/kit_list.parquet"))

    @cached_property
    def quarantine(self) -> pd.DataFrame:
        """Rows and values that were set aside, with reason and remedy."""
        return pd.read_csv(self._read("intake/quarantine.csv"), dtype=str)

    @cached_property
    def evaluation(self) -> dict[str, Any]:
        """Content of ``evaluation.json``."""
        return json.loads(self._read("evaluation.json").read_text(encoding="utf-8"))

    @property
    def settings(self) -> Settings:
        """Settings of the run, as they were."""
        return Settings.model_validate_json(json.dumps(self.info["settings"]), strict=False)

    @property
    def as_of(self) -> date:
        """Day on which the run stands."""
        return date.fromisoformat(self.info["as_of"])

    def summary(self) -> list[tuple[str, str]]:
        """Return the main figures of the run as pairs of label and text."""
        counts = self.info["result"]
        return [
            ("city", str(self.info["settings"]["city"]["name"])),
            ("parcels", f"{counts['parcels']:,}"),
            ("lines of unknown material", f"{counts['unknown_lines']:,}"),
            (
                "expected lead lines",
                f"{counts['expected_lead_lines']:,.0f} "
                f"(90 % interval {counts['low']:,.0f} to {counts['high']:,.0f})",
            ),
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


def owner_only(path: Path) -> None:
    """Let only the owner read a file or folder."""
    path.chmod(0o700 if path.is_dir() else 0o600)
