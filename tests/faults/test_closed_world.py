"""No network while it runs, no code from data, and no library that nobody declared."""

import ast
import json
import re
import shutil
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "synthetic_city" / "sample"
MODULES = sorted(
    p for folder in ("linemap", "synthetic_city") for p in (ROOT / folder).rglob("*.py")
)
PAGES = sorted(p for p in (ROOT / "linemap" / "outputs").rglob("*") if p.suffix in (".js", ".html"))

LOADERS = {"pickle", "cPickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "jsonpickle"}
"""Modules that turn stored bytes into objects, and so may run what is stored."""

CALLERS = {"requests", "httpx", "aiohttp", "ftplib", "smtplib", "telnetlib", "xmlrpc", "http"}
"""Modules that speak to the network."""

CALLS = {"eval", "exec", "compile", "__import__", "read_pickle", "to_pickle", "mktemp", "system",
         "popen", "urlopen", "urlretrieve", "create_connection", "literal_eval"}  # fmt: skip
FLAGS = {("allow_pickle", True), ("shell", True)}

BY_NAME = {
    "psycopg": "driver that the address of a database names",
    "dask": "what distributed is a part of",
}
"""Declared libraries that no line imports, and what they are for."""

WHERE_THERE = {"IPython": "tells whether a notebook is running; without it there is none"}
"""Libraries that are used where they are installed, and why nobody needs to install them."""


def dangers(source: str) -> list[str]:
    """Return what a module must not do, with its line."""
    found = []
    for node in ast.walk(ast.parse(source)):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and not node.level:
            names = [node.module or ""]
        bad = {name.split(".")[0] for name in names} & (LOADERS | CALLERS)
        bad |= {name for name in names if name == "urllib.request"}
        if isinstance(node, ast.Call):
            called = node.func
            name = getattr(called, "attr", getattr(called, "id", ""))
            owner = getattr(getattr(called, "value", None), "id", "")
            if name in CALLS and not (name == "compile" and owner == "re"):
                bad.add(name)
            if owner == "yaml" and name == "load":
                bad.add("yaml.load")
            for word in node.keywords:
                if (word.arg, getattr(word.value, "value", None)) in FLAGS:
                    bad.add(word.arg)
        found += [f"line {node.lineno}: {name}" for name in sorted(bad)]
    return found


def test_the_search_for_dangers_finds_them():
    source = (
        "import pickle, urllib.request\nfrom joblib import load\npd.read_pickle(x)\neval(x)\n"
        "np.load(x, allow_pickle=True)\nsubprocess.run(x, shell=True)\nyaml.load(x)\n"
        "os.system(x)\nre.compile(x)\nnp.load(x, allow_pickle=False)\nyaml.safe_load(x)\n"
    )
    lines = [int(re.findall(r"\d+", danger)[0]) for danger in dangers(source)]
    assert sorted(lines) == [1, 1, 2, 3, 4, 5, 6, 7, 8]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_no_stored_objects_no_code_from_text_no_calls_out(path):
    assert dangers(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", PAGES, ids=lambda p: p.name)
def test_pages_make_no_code_from_text_and_fetch_nothing(path):
    text = path.read_text(encoding="utf-8")
    pattern = r"\beval\(|new Function|document\.write|\bfetch\(|XMLHttpRequest|WebSocket|import\("
    assert re.findall(pattern, text) == []
    assert re.findall(r"(?:src|href)=[\"']https?:", text) == []
    assert re.findall(r"@import|url\([\"']?https?:", text) == []


def test_a_run_never_calls_out(tiny_run):
    """The run was made in a process without a network, which notes every attempt."""
    assert (tiny_run / "run" / "run.json").is_file()
    assert not (tiny_run / "calls.txt").exists()


def test_commands_on_a_finished_run_never_call_out(tiny_run, linemap, tmp_path, without_network):
    shutil.copytree(tiny_run / "run", tmp_path / "run")
    record = json.loads((tmp_path / "run" / "run.json").read_text())
    record["settings"]["folder"] = str(tmp_path)
    (tmp_path / "run" / "run.json").write_text(json.dumps(record))
    for words in (
        ("prioritize", "run", "--kits", "20", "--out", "list"),
        ("map", "run"),
        ("round", "open", "run", "--choice", "list", "--on", record["as_of"]),
        ("round", "close", "run", "list/kits.csv"),
        ("round", "review", "run"),
        ("results", str(SAMPLE / "samples.csv")),
        ("check", str(SAMPLE / "settings.toml")),
    ):
        if words[1] == "close":
            kits = pd.read_csv(tmp_path / "list" / "kits.csv", dtype=str)[["parcel_id"]]
            kits.assign(outcome="silent").to_csv(tmp_path / "list" / "kits.csv", index=False)
        code, said = linemap.run(*words, cwd=tmp_path, first=without_network)
        assert code == 0, said
    assert not (tmp_path / "calls.txt").exists()


def test_an_attempt_to_call_out_would_be_noted(linemap, tmp_path, without_network):
    attempt = (
        "import socket, contextlib\nwith contextlib.suppress(OSError):\n"
        "    socket.create_connection(('127.0.0.1', 9))\n"
    )
    linemap.run("--help", cwd=tmp_path, first=without_network + attempt)
    assert "socket.getaddrinfo" in (tmp_path / "calls.txt").read_text()


def imported() -> dict[str, set[str]]:
    """Return the libraries that each package imports at its top or inside of functions."""
    found: dict[str, set[str]] = {}
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and not node.level:
                names = [node.module or ""]
            for name in names:
                found.setdefault(name.split(".")[0], set()).add(str(path.relative_to(ROOT)))
    return found


def plain(name: str) -> str:
    """Return the name of a library without version and extra, as the index compares names."""
    return re.sub(r"[-_.]+", "-", re.split(r"[\[<>=!~; ]", name, maxsplit=1)[0]).lower()


def test_every_library_is_declared_and_every_declared_one_is_imported():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    used_here = {name for name in extras if name not in ("test", "notebooks")}
    declared = {plain(n) for n in project["dependencies"]}
    declared |= {plain(n) for extra in used_here for n in extras[extra]}
    owners = packages_distributions()
    own = {*sys.stdlib_module_names, *WHERE_THERE, "linemap", "synthetic_city"}
    undeclared, met = {}, set()
    for module, places in imported().items():
        if module in own:
            continue
        libraries = {plain(name) for name in owners.get(module, [module])}
        met |= libraries & declared
        if not libraries & declared:
            undeclared[module] = sorted(places)
    assert undeclared == {}
    assert declared - met == set(BY_NAME)
