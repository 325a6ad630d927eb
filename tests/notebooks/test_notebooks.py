"""Every notebook runs from a fresh kernel, keeps the rules of their shape, and says today what
its stored outputs say."""

import ast
import getpass
import importlib.util
import platform
import re
from pathlib import Path

import nbformat
import pytest

import linemap as lm
import synthetic_city

ROOT = Path(__file__).parents[2]
LARGEST = 400_000
"""Largest notebook [bytes]."""

CHARTS = {
    "age_chart", "claimed_chart", "gain_chart", "learning_chart", "pair_chart",
    "reliability_chart", "testing_gap_chart", "weights_chart",
}  # fmt: skip

spec = importlib.util.spec_from_file_location("store", ROOT / "notebooks" / "store.py")
store = importlib.util.module_from_spec(spec)
spec.loader.exec_module(store)

BOOKS = store.notebooks()
each = pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)


def read(path):
    return nbformat.read(path, as_version=4)


def code(book):
    return [cell for cell in book.cells if cell.cell_type == "code"]


def prose(book):
    return [cell.source for cell in book.cells if cell.cell_type == "markdown"]


def outputs(book):
    return [output for cell in code(book) for output in cell.outputs]


def texts(output):
    """Return what an output says in words; maps and pictures apart."""
    if output.output_type == "stream":
        return {"stream": output.text}
    kept = ("text/plain", "text/html")
    return {k: v for k, v in output.data.items() if k in kept and not store.is_map(output)}


def kinds(output):
    return sorted(output.get("data", {"stream": 0}))


def test_the_six_are_there_in_order():
    assert [path.stem for path in BOOKS] == [
        "01_meet_the_city", "02_what_the_kits_tell", "03_score_and_check_the_score",
        "04_choose_areas_and_homes", "05_bring_your_own_city", "06_a_round_later",
    ]  # fmt: skip


@each
def test_it_runs_and_still_says_what_is_stored(path, tmp_path):
    stored, fresh = read(path), store.execute(path, tmp_path)
    same_versions = stored.metadata["made_with"] == fresh.metadata["made_with"]
    assert len(code(stored)) == len(code(fresh))
    for number, (then, now) in enumerate(zip(code(stored), code(fresh), strict=True)):
        place = f"code cell {number + 1} of {path.name}: run notebooks/store.py and look at it"
        assert len(then.outputs) == len(now.outputs), place
        for old, new in zip(then.outputs, now.outputs, strict=True):
            if store.is_map(new):
                assert old.data["text/plain"] == new.data["text/plain"], place
                assert old.data["image/png"], place
            elif same_versions:
                assert texts(old) == texts(new), place
            else:
                assert kinds(old) == kinds(new), place
    runs = sum(cell.source.count("lm.run(") for cell in code(fresh))
    done = [o for o in outputs(fresh) if o.get("data", {}).get("text/plain") == "8/8 done"]
    assert len(done) >= runs, "each run shows its progress to the end"


@each
def test_it_opens_with_its_reader_and_question_and_closes_with_a_caution(path):
    first = read(path).cells[0]
    assert first.cell_type == "markdown"
    assert first.source.startswith(f"# {int(path.stem[:2])}. ")
    assert "**For** " in first.source
    assert re.search(r"\*\*Question:\*\* .+\?$", first.source, re.M)
    assert "**Caution.**" in prose(read(path))[-1]


@each
def test_it_is_stored_whole_small_and_without_traces_of_a_machine(path):
    book = read(path)
    assert path.stat().st_size < LARGEST
    assert all(cell.execution_count for cell in code(book))
    for output in outputs(book):
        assert output.output_type != "error"
        assert output.get("name") != "stderr", output.get("text")
        said = " ".join(texts(output).values())
        assert not re.search(r"(^|[\s'\"=(])(/[\w.-]+){2,}|[A-Z]:\\|file:", said), said
        for trace in (str(Path.home()), f" {getpass.getuser()} ", platform.node()):
            assert trace not in said


@each
def test_it_uses_public_names_alone_and_no_title_is_fixed_beforehand(path):
    for cell in code(read(path)):
        for node in ast.walk(ast.parse(cell.source)):
            if isinstance(node, ast.Import):
                for name in node.names:
                    assert not name.name.startswith(("linemap.", "synthetic_city"))
            if isinstance(node, ast.ImportFrom):
                assert node.module.split(".")[0] != "linemap"
                if node.module == "synthetic_city":
                    assert {name.name for name in node.names} <= set(synthetic_city.__all__)
            if isinstance(node, ast.Attribute):
                assert not node.attr.startswith("_")
                if isinstance(node.value, ast.Name) and node.value.id == "lm":
                    assert node.attr in lm.__all__
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "set_title":
                assert isinstance(node.args[0], ast.JoinedStr), "a title states what was found"


def test_a_map_stands_in_at_least_three_and_every_chart_is_used():
    mapped = [
        path.stem
        for path in BOOKS
        if any(o.get("data", {}).get("text/plain", "").startswith("<map:")
               and "image/png" in o.data for o in outputs(read(path)))
    ]  # fmt: skip
    assert len(mapped) >= 3
    sources = "\n".join(cell.source for path in BOOKS for cell in code(read(path)))
    assert set(re.findall(r"lm\.charts\.(\w+)", sources)) >= CHARTS


def test_an_estimate_never_stands_in_prose_as_a_number():
    """Figures of the scores change with the model, so they are computed in cells."""
    for path in BOOKS:
        for text in prose(read(path)):
            assert not re.search(r"\d+(\.\d+)? (lead lines|%) (are|were|of)\b", text), text
