"""Whenever a run is killed, the last good run is whole and a new run works."""

import os
import random
import shutil
import signal
import sys
import time

import pytest

from linemap.errors import RunFolderError
from linemap.run_folder import Run
from linemap.whole_folder import new_run_folder, replaced_files

EVENTS = {"os.mkdir", "os.rename", "os.chmod", "os.remove", "os.rmdir", "open", "os.scandir"}
"""What Python tells of every step in a folder."""


def die_at(step):
    """Let this process be killed at its n-th step in a folder."""
    left = [step]

    def count(event, _):
        if event in EVENTS:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(count)


def write(folder, number):
    (folder / "staff").mkdir()
    for name in ("run.json", "scores.csv", "staff/map.html"):
        (folder / name).write_text(f'{{"kept": {number}}}')


def whole(number):
    return dict.fromkeys(("run.json", "scores.csv", "staff/map.html"), b'{"kept": %d}' % number)


def test_killed_at_every_step_of_writing_and_replacing(tmp_path, tree, in_child):
    out = tmp_path / "run"
    with new_run_folder(out) as folder:
        write(folder, 1)

    def replace(step):
        die_at(step)
        with new_run_folder(out) as folder:
            write(folder, 2)

    ends = []
    for step in range(1, 500):
        code = in_child(lambda: replace(step))  # noqa: B023 (called at once)
        number = Run(out).info["kept"]
        assert tree(out) == whole(number), f"killed at step {step}"
        ends.append((code, number))
        with new_run_folder(out) as folder:
            write(folder, 1)
        assert [p.name for p in tmp_path.iterdir()] == ["run"], f"killed at step {step}"
        if code == 0:
            break
    assert ends[-1] == (0, 2)
    assert len(ends) > 20
    assert {code for code, _ in ends[:-1]} == {-signal.SIGKILL}
    assert (-signal.SIGKILL, 1) in ends
    assert (-signal.SIGKILL, 2) in ends


def test_killed_while_files_are_replaced(tmp_path, tree, in_child):
    """A list or map that is drawn again: each file is the old or the new one, never a part."""
    place = tmp_path / "run"
    with replaced_files(place) as folder:
        write(folder, 1)

    def replace(step):
        die_at(step)
        with replaced_files(place) as folder:
            write(folder, 2)

    for step in range(1, 500):
        code = in_child(lambda: replace(step))  # noqa: B023 (called at once)
        seen = {k: v for k, v in tree(place).items() if not k.startswith(".unfinished")}
        assert all(seen[name] in (whole(1)[name], whole(2)[name]) for name in whole(1))
        with replaced_files(place) as folder:
            write(folder, 1)
        assert tree(place) == whole(1)
        if code == 0:
            break
    assert step > 20


def test_a_second_writer_is_refused_and_the_first_finishes(tmp_path, tree):
    place = tmp_path / "run"
    with new_run_folder(place) as folder:
        write(folder, 3)
    with replaced_files(place) as folder:
        write(folder, 1)
        for second in (replaced_files, new_run_folder):
            with pytest.raises(RunFolderError, match="another run is writing"), second(place):
                pass
        assert folder.is_dir()
    assert tree(place) == whole(1)
    with replaced_files(place) as folder:
        write(folder, 2)
    assert tree(place) == whole(2)
    assert [p.name for p in tmp_path.iterdir()] == ["run"]


def test_a_real_run_killed_at_random_moments(tiny_run, linemap, tmp_path, tree):
    shutil.copytree(tiny_run / "run", tmp_path / "run")
    before = tree(tmp_path / "run")
    words = ("run", tiny_run / "city" / "settings.toml", "--out", "run")
    usual = sum(Run(tmp_path / "run").info["stage_seconds"].values())
    moments = random.Random(20_260_101)
    for _ in range(3):
        pid = linemap.start(*words, cwd=tmp_path)
        time.sleep(moments.uniform(0.02, 0.95) * usual)
        os.kill(pid, signal.SIGKILL)
        if linemap.wait(pid) == -signal.SIGKILL:
            assert tree(tmp_path / "run") == before
        before = tree(tmp_path / "run")
        Run(tmp_path / "run").scores  # noqa: B018 (it opens)
    code, said = linemap.run(*words, cwd=tmp_path)
    assert code == 0, said
    after = tree(tmp_path / "run")
    assert {k: v for k, v in after.items() if k != "run.json"} == {
        k: v for k, v in before.items() if k != "run.json"
    }
    assert {p.name for p in tmp_path.iterdir()} == {"run", "said.txt"}
