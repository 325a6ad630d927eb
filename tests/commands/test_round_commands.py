"""Rounds through the command line: what is refused leaves the ledger as it was."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from linemap.outreach import Ledger


class Desk:
    """A folder with a run, and the command at work in it."""

    def __init__(self, linemap, tiny_run: Path, folder: Path) -> None:
        self.linemap, self.folder = linemap, folder
        shutil.copytree(tiny_run / "run", folder / "run")
        record = json.loads((folder / "run" / "run.json").read_text())
        record["settings"]["folder"] = str(folder)
        (folder / "run" / "run.json").write_text(json.dumps(record))
        self.ledger = folder / "rounds.sqlite"

    def says(self, *words) -> tuple[int, str]:
        return self.linemap.run(*words, cwd=self.folder)

    def listed(self, folder: str = "run/lists") -> pd.DataFrame:
        return pd.read_csv(self.folder / folder / "kits.csv", dtype=str)

    def close(self, text: str) -> tuple[int, str]:
        (self.folder / "returns.csv").write_text(text)
        return self.says("round", "close", "run", "returns.csv")

    def still_open(self) -> bool:
        return Ledger(self.ledger).rounds()["closed_on"].isna().all()


@pytest.fixture
def desk(linemap, tiny_run: Path, tmp_path: Path) -> Desk:
    return Desk(linemap, tiny_run, tmp_path)


@pytest.fixture
def opened(desk: Desk) -> Desk:
    code, said = desk.says("round", "open", "run")
    assert code == 0, said
    return desk


def test_returns_that_cannot_be_read_in_full_leave_the_round_open(opened: Desk) -> None:
    a, b, c = opened.listed()["parcel_id"].head(3)
    rows = [f"{a},usable,yes", f"{b},Usable!,no", f"{a},refused,no", f"{c},usable,perhaps"]
    code, said = opened.close("\n".join(["parcel_id,outcome,lead_found", *rows]))
    assert code == 1
    assert said.startswith("the round stays open: 3 input problem(s)")
    assert "row 2 [Usable!]: this is not one of usable, not_usable" in said
    assert "row 3" in said
    assert "Keep one of them." in said
    assert "row 4 [perhaps]" in said
    assert opened.still_open()
    code, said = opened.close("\n".join(["parcel_id,outcome,lead_found", *rows[:1]]))
    assert code == 0, said
    assert not opened.still_open()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "parcel_id\nA\n",
        "parcel_id,outcome\n",
        "parcel_id,outcome\nA,lost\n",
        "parcel_id,outcome\nof another city,usable\n",
    ],
)
def test_returns_that_are_no_table_of_returns_leave_the_round_open(opened: Desk, text: str) -> None:
    code, said = opened.close(text)
    assert code == 1
    assert "the round stays open:" in said
    assert "Traceback" not in said
    assert opened.still_open()


def test_only_the_list_that_was_printed_is_opened(desk: Desk) -> None:
    code, said = desk.says("prioritize", "run", "--kits", "20", "--out", "list")
    assert code == 0, said
    for folder, words in (("list", ("--choice", "list")), ("run/lists", ())):
        whole = desk.listed(folder)
        for other in (whole.iloc[::-1], whole.head(5)):
            other.to_csv(desk.folder / folder / "kits.csv", index=False)
            code, said = desk.says("round", "open", "run", *words)
            assert code == 1
            assert "the run has changed since this list was made; run prioritize again" in said
    assert not desk.ledger.exists()


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"limits": [], "rounds": []}'])
def test_a_damaged_choice_is_said_in_one_sentence(desk: Desk, text: str) -> None:
    (desk.folder / "list").mkdir()
    (desk.folder / "list" / "choice.json").write_text(text)
    code, said = desk.says("round", "open", "run", "--choice", "list")
    assert code == 1
    assert "choice.json is damaged. Make the list anew with `linemap prioritize`." in said
    assert "Traceback" not in said
