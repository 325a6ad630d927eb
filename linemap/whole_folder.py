"""Folders and files written whole or not at all.

A run is written into a hidden folder beside its destination and moved there in one step when
everything is in place. The earlier run stays untouched until then. A lock keeps two runs from
writing into one folder; a run that was cut off between the two moves is put back on the next
opening.
"""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pyogrio.errors import DataSourceError, FeatureError, GeometryError

from linemap.errors import RunFolderError

RUN_FILE = "run.json"
"""File that every finished run holds."""


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
    if "\0" in str(out):
        raise RunFolderError("this cannot be the name of a folder. Choose another --out.")
    out = Path(out).absolute()
    out = out.resolve() if out.name in ("", "..") else out
    work = out.parent / f".{out.name}.unfinished"
    with _disk_faults(out):
        put_back(out)
        _refuse_strangers(out)
        with _locked(out):
            try:
                _clear(work)
                work.mkdir(mode=0o700)
                yield work
                _finish(work)
                _swap(work, out)
            finally:
                shutil.rmtree(work, ignore_errors=True)


@contextmanager
def replaced_files(folder: str | Path) -> Iterator[Path]:
    """Give a folder to write files into that replace those of another, once all are written.

    Parameters
    ----------
    folder : str or Path
        Where the files go in the end; made if it does not exist.

    Yields
    ------
    Path
        Hidden working folder in it.

    Raises
    ------
    RunFolderError
        If the folder cannot be written, is in use by another run, or the disk is full.
    """
    folder = Path(folder).absolute()
    work = folder / ".unfinished"
    with _disk_faults(folder), _locked(folder):
        fresh = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
        if fresh:
            owner_only(folder)
        try:
            _clear(work)
            work.mkdir(mode=0o700)
            yield work
            _finish(work)
            for path in sorted(work.rglob("*")):
                target = folder / path.relative_to(work)
                if not path.is_dir():
                    path.replace(target)
                elif not target.is_dir():
                    target.mkdir()
                    target.chmod(path.stat().st_mode & 0o777)
        finally:
            shutil.rmtree(work, ignore_errors=True)
            if fresh and folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()


@contextmanager
def _disk_faults(out: Path) -> Iterator[None]:
    """Say plainly that a folder cannot be written, whichever library met the fault."""
    try:
        yield
    except OSError as error:
        said = os.strerror(error.errno) if error.errno else str(error)
        raise RunFolderError(_disk_message(out, said)) from error
    except (DataSourceError, FeatureError, GeometryError) as error:
        reason = "the map layer could not be written to the end"
        raise RunFolderError(_disk_message(out, reason)) from error


@contextmanager
def _locked(out: Path) -> Iterator[None]:
    """Hold the lock of a destination, or say that another run holds it."""
    path = out.parent / f".{out.name}.lock"
    out.parent.mkdir(parents=True, exist_ok=True)
    lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            # A run that has just ended may have taken the name of the file away under us.
            ours = path.exists() and os.path.samestat(os.fstat(lock), path.stat())
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
    finally:
        os.close(lock)


def _disk_message(out: Path, reason: str) -> str:
    return (
        f"cannot write into {out}: {reason}. Nothing there was changed. "
        "Free some space or choose a folder that you may write to with --out."
    )


def _refuse_strangers(out: Path) -> None:
    if out.is_symlink():
        raise RunFolderError(f"{out} is a link. Name the folder itself with --out.")
    if out.exists() and not out.is_dir():
        raise RunFolderError(f"{out} is a file, not a folder. Choose another --out.")
    refuse_others(out, RUN_FILE, "a linemap run")


def refuse_others(out: Path, mark: str, ours: str) -> None:
    """Refuse a folder with files in it that lacks the file by which ours are known."""
    if out.is_dir() and any(out.iterdir()) and not (out / mark).is_file():
        raise RunFolderError(
            f"{out} holds files that are not {ours}, so nothing was written. "
            "Choose an empty or new folder with --out."
        )


def _swap(work: Path, out: Path) -> None:
    """Put a finished run in the place of the earlier one."""
    previous = out.parent / f".{out.name}.previous"
    for attempt in range(10):
        _clear(previous)
        if out.exists():
            out.rename(previous)
        try:
            work.rename(out)
            break
        except OSError:  # whoever opens the run in this moment puts the earlier one back
            if attempt == 9 or not out.exists():
                raise
    _clear(previous)


def put_back(out: Path) -> None:
    """Mend a run that was cut off between the two moves of :func:`new_run_folder`."""
    previous = out.parent / f".{out.name}.previous"
    if previous.is_dir() and not previous.is_symlink() and not os.path.lexists(out):
        previous.rename(out)


def _clear(path: Path) -> None:
    """Remove a folder that an earlier run left; of a link only the link."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _finish(folder: Path) -> None:
    """Bring all files to the disk; let only the owner read those for staff."""
    for path in folder.rglob("*"):
        public = "public" in path.relative_to(folder).parts
        if path.is_dir():
            path.chmod(0o755 if public else 0o700)
        else:
            path.chmod(0o644 if public else 0o600)
            with path.open("rb") as stream:
                os.fsync(stream.fileno())
    folder.chmod(0o755)


def owner_only(path: Path) -> None:
    """Let only the owner read a file or folder."""
    path.chmod(0o700 if path.is_dir() else 0o600)
