"""Shared by all tests: a finished run on the shipped sample, a tiny city, a starter of commands."""

import fcntl
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings

hypothesis_settings.register_profile("repeatable", derandomize=True, deadline=None)
if os.environ.get("CI"):
    hypothesis_settings.load_profile("repeatable")

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "synthetic_city" / "sample"


def once(tmp_path_factory: pytest.TempPathFactory, name: str, make) -> Path:
    """Make a folder once for all test workers and return it."""
    base = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent
    place = base / name
    with (base / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not place.exists():
            make(place)
    return place


@pytest.fixture(scope="session")
def sample_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a finished run on the shipped sample. Read only: other tests use it too."""
    from linemap.pipeline import run
    from linemap.settings import load_settings

    def make(place: Path) -> None:
        run(load_settings(SAMPLE / "settings.toml"), place)

    return once(tmp_path_factory, "sample-run", make)


@pytest.fixture(scope="session")
def tiny_city(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of an invented city of 300 parcels whose run takes seconds. Read only."""
    from synthetic_city import make_city, write_city

    def make(place: Path) -> None:
        write_city(make_city(parcels=300, seed=3), place)
        with (place / "settings.toml").open("a", encoding="utf-8") as settings:
            settings.write(QUICK)

    return once(tmp_path_factory, "tiny-city", make)


QUICK = '\n[evaluation]\nprotocols = ["random"]\nfolds = 2\nbootstrap = 20\n'
"""Section that makes the evaluation of a run short."""

_SERVE = """
import gc, json, os, resource, sys
import linemap.cli, linemap.followup, linemap.outputs, linemap.pipeline
gc.freeze()
for line in sys.stdin:
    job = json.loads(line)
    if "wait" in job:
        print(os.waitpid(job["wait"], 0)[1], flush=True)
        continue
    pid = os.fork()
    if pid:
        print(pid, flush=True)
        continue
    os.chdir(job["cwd"])
    os.environ.clear()
    os.environ.update(job["env"])
    os.dup2(os.open("said.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), 1)
    os.dup2(1, 2)
    exec(job["first"])
    for name, most in job["limits"].items():
        resource.setrlimit(getattr(resource, name), (most, most))
    sys.argv = ["linemap", *job["words"]]
    code = 70
    try:
        linemap.cli.main()
    except SystemExit as end:
        code = end.code
    except BaseException:
        import traceback
        traceback.print_exc()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)  # without taking down all the libraries one by one
"""


class Starter:
    """Starts the command in a process of its own, in a moment: the libraries are loaded once."""

    def __init__(self) -> None:
        self.server = subprocess.Popen(
            [sys.executable, "-c", _SERVE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def _ask(self, job: dict) -> int:
        assert self.server.stdin is not None
        assert self.server.stdout is not None
        self.server.stdin.write(json.dumps(job) + "\n")
        self.server.stdin.flush()
        return int(self.server.stdout.readline())

    def start(self, *words, cwd: Path, first: str = "", **limits: int) -> int:
        """Start ``linemap`` with limits such as ``RLIMIT_FSIZE``; return the process."""
        job = {"words": [*map(str, words)], "cwd": str(cwd), "env": dict(os.environ)}
        return self._ask({**job, "first": first, "limits": limits})

    def wait(self, pid: int) -> int:
        """Return the exit code; minus the signal that ended the process."""
        return os.waitstatus_to_exitcode(self._ask({"wait": pid}))

    def run(self, *words, cwd: Path, first: str = "", **limits: int) -> tuple[int, str]:
        """Run ``linemap``; return its exit code and all that it said."""
        code = self.wait(self.start(*words, cwd=cwd, first=first, **limits))
        return code, (cwd / "said.txt").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def linemap():
    """The command, run in processes of its own."""
    starter = Starter()
    yield starter
    assert starter.server.stdin is not None
    starter.server.stdin.close()
    starter.server.wait()


WITHOUT_NETWORK = """
import ctypes
ctypes.CDLL(None).unshare(0x40000000)  # CLONE_NEWNET: no interface but a loopback that is down
def heard(event, words):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto", "socket.gethostbyname"):
        with open("calls.txt", "a") as stream:
            stream.write(f"{event} {words[1:]}\\n")
        raise OSError("there is no network here")
sys.addaudithook(heard)
"""
"""Code for the start of a process: no network, and every attempt is noted in ``calls.txt``."""


@pytest.fixture(scope="session")
def without_network() -> str:
    """Code for the start of a process that is to have no network."""
    return WITHOUT_NETWORK


@pytest.fixture(scope="session")
def tiny_run(tiny_city: Path, linemap: Starter, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the tiny city in ``city`` and a run on it in ``run``, made with no network."""

    def make(place: Path) -> None:
        shutil.copytree(tiny_city, place / "city")
        words = ("run", "city/settings.toml", "--out", "run")
        code, said = linemap.run(*words, cwd=place, first=WITHOUT_NETWORK)
        assert code == 0, said

    return once(tmp_path_factory, "tiny-run", make)
