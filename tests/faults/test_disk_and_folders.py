"""A full disk, a folder that may not be written, two runs at once, links laid in the way."""

import os
import resource
import stat
import subprocess
from contextlib import nullcontext

import pytest

from linemap.errors import RunFolderError
from linemap.outputs import write_kit_files
from linemap.run_folder import Run
from linemap.whole_folder import new_run_folder, replaced_files

AS_NOT_ROOT = """
import ctypes
class Head(ctypes.Structure):
    _fields_ = [("version", ctypes.c_uint32), ("pid", ctypes.c_int)]
sets = (ctypes.c_uint32 * 6)()
head = Head(0x20080522, 0)
libc = ctypes.CDLL(None, use_errno=True)
libc.capget(ctypes.byref(head), sets)
sets[0] &= ~0b110  # CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH: permissions hold for root, too
assert libc.capset(ctypes.byref(head), sets) == 0
"""


def write_lists(run, place):
    with replaced_files(place) as work:
        write_kit_files(run.kits, run.parcels, work, city="x", as_of=run.as_of)


@pytest.mark.parametrize("most", [0, 2_000, 20_000, 60_000, 90_000])
def test_no_room_for_any_of_the_lists(sample_run, tmp_path, most, tree, in_child):
    """Each format fails in its own way at its own size; the answer is one."""
    run, place = Run(sample_run), tmp_path / "list"
    write_lists(run, place)
    before = tree(place)

    def attempt():
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
        with pytest.raises(RunFolderError, match="Nothing there was changed"):
            write_lists(run, place)

    assert in_child(attempt) == 0
    assert tree(place) == before
    fresh = tmp_path / "fresh"

    def attempt_anew():
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
        with pytest.raises(RunFolderError, match="Nothing there was changed"):
            write_lists(run, fresh)

    assert in_child(attempt_anew) == 0
    assert not fresh.exists()


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 256 KB."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", place],
        capture_output=True,
        check=False,
    )
    if done.returncode:
        pytest.skip("mounting needs root")
    yield place
    subprocess.run(["umount", "--lazy", place], check=True)


def test_a_disk_that_fills_up(sample_run, small_disk, tree):
    run = Run(sample_run)
    with new_run_folder(small_disk / "run") as folder:
        (folder / "run.json").write_text("{}")
    for room in (0, 8_192, 40_960, 102_400):
        free = os.statvfs(small_disk)
        with (small_disk / "fill").open("wb") as stream:
            os.posix_fallocate(stream.fileno(), 0, free.f_bavail * free.f_bsize - room or 1)
        with (
            pytest.raises(RunFolderError, match="Nothing there was changed"),
            new_run_folder(small_disk / "run") as folder,
        ):
            write_kit_files(run.kits, run.parcels, folder, city="x", as_of=run.as_of)
        (small_disk / "fill").unlink()
        assert tree(small_disk) == {"run/run.json": b"{}"}


def test_a_real_run_without_room_says_so(tiny_run, linemap, tmp_path):
    code, said = linemap.run(
        "run", tiny_run / "city" / "settings.toml", "--out", "run", cwd=tmp_path,
        RLIMIT_FSIZE=30_000,
    )  # fmt: skip
    assert code == 1
    assert "File too large. Nothing there was changed. Free some space" in said
    assert "Traceback" not in said
    assert [p.name for p in tmp_path.iterdir()] == ["said.txt"]


def test_a_folder_that_may_not_be_written(tiny_run, linemap, tmp_path, tree):
    place = tmp_path / "closed"
    place.mkdir()
    with new_run_folder(place / "run") as folder:
        (folder / "run.json").write_text("{}")
    place.chmod(0o500)
    settings = tiny_run / "city" / "settings.toml"
    for out in (place / "run", place / "new", place / "deep" / "run"):
        code, said = linemap.run("run", settings, "--out", out, cwd=tmp_path, first=AS_NOT_ROOT)
        assert code == 1
        assert "Permission denied. Nothing there was changed." in said
        assert "Traceback" not in said
    assert tree(place) == {"run/run.json": b"{}"}
    closed = tmp_path / "kits"
    closed.mkdir(mode=0o500)
    words = ("prioritize", tiny_run / "run", "--kits", 5, "--floor", 0, "--out", closed)
    code, said = linemap.run(*words, cwd=tmp_path, first=AS_NOT_ROOT)
    assert code == 1
    assert "Permission denied" in said
    code, said = linemap.run(
        "map", tiny_run / "run", "--out", closed, cwd=tmp_path, first=AS_NOT_ROOT
    )
    assert code == 1
    assert "Permission denied" in said
    assert tree(closed) == {}


def test_a_second_run_into_the_same_folder_is_refused(tiny_run, linemap, tmp_path):
    with new_run_folder(tmp_path / "run") as folder:
        (folder / "run.json").write_text('{"first": 1}')
        code, said = linemap.run(
            "run", tiny_run / "city" / "settings.toml", "--out", "run", cwd=tmp_path
        )
        assert code == 1
        assert "another run is writing into" in said
        assert folder.is_dir()
    assert Run(tmp_path / "run").info == {"first": 1}


@pytest.mark.parametrize("name", [".run.unfinished", ".run.previous", ".run.lock"])
@pytest.mark.parametrize("kind", ["folder", "file", "nothing"])
def test_links_laid_in_the_way_are_not_followed(tmp_path, name, kind, tree):
    theirs = tmp_path / "theirs"
    if kind == "folder":
        theirs.mkdir()
        (theirs / "run.json").write_text("precious")
    elif kind == "file":
        theirs.write_text("precious")
    before = tree(theirs) if kind == "folder" else theirs.exists() and theirs.read_text()
    place = tmp_path / "place"
    place.mkdir()
    (place / name).symlink_to(theirs)
    refused = pytest.raises(RunFolderError, match="cannot write into")
    with refused if name == ".run.lock" else nullcontext():
        with new_run_folder(place / "run") as folder:
            (folder / "run.json").write_text("{}")
        assert tree(place / "run") == {"run.json": b"{}"}
    after = tree(theirs) if kind == "folder" else theirs.exists() and theirs.read_text()
    assert after == before


@pytest.mark.parametrize("name", ["a\0b", "x" * 300, "..", ".", "/dev/null/run", "/proc/run"])
def test_destinations_that_cannot_be(tmp_path, monkeypatch, name, tree):
    (tmp_path / "inner").mkdir()
    monkeypatch.chdir(tmp_path / "inner")
    (tmp_path / "inner" / "note").write_text("mine")
    with pytest.raises(RunFolderError), new_run_folder(name) as folder:
        (folder / "run.json").write_text("{}")
    assert tree(tmp_path) == {"inner/note": b"mine"}


def test_an_unfinished_run_is_closed_to_others(tmp_path):
    with new_run_folder(tmp_path / "run") as folder:
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        (folder / "public").mkdir()
        (folder / "run.json").write_text("{}")
        (folder / "public" / "map.html").write_text("x")
    modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in (tmp_path / "run").rglob("*")}
    assert modes == {"run.json": 0o600, "public": 0o755, "map.html": 0o644}


def test_every_staff_file_is_for_its_owner_whichever_command_wrote_it(tiny_run, linemap, tmp_path):
    """Lists, maps, scores, quarantine and the ledger hold households."""
    for words in (
        ("prioritize", tiny_run / "run", "--kits", 5, "--floor", 0, "--out", "list"),
        ("map", tiny_run / "run", "--out", "maps"),
        ("round", "open", tiny_run / "run", "--ledger", "ledger.sqlite"),
    ):
        code, said = linemap.run(*words, cwd=tmp_path, first="os.umask(0)")
        assert code == 0, said
    files = [p for place in (tmp_path, tiny_run / "run") for p in place.rglob("*") if p.is_file()]
    names = {p.name for p in files}
    assert {"kits.csv", "map.html", "scores.csv", "quarantine.csv", "ledger.sqlite"} <= names
    for path in files:
        if path.name != "said.txt":
            public = path.parent.name == "public"
            assert stat.S_IMODE(path.stat().st_mode) == (0o644 if public else 0o600), path
