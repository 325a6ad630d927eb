"""Runs, charts and progress show themselves in a notebook and in a terminal."""

import os
import pty
import struct
import subprocess
import sys
from functools import partial

import pandas as pd
import pytest

import linemap as lm
from linemap.printing import Bar, watched

STEPS = "from linemap.printing import watched\nwith watched(None, 2) as t: t('one'); t('two')"


def test_a_teller_of_the_callers_own_is_used_as_it_is(capsys):
    told = []
    with watched(told.append, 2) as tell:
        tell("one")
        tell("two")
    assert told == ["one", "two"]
    assert capsys.readouterr() == ("", "")


def test_where_nobody_looks_on_nothing_is_printed():
    done = subprocess.run([sys.executable, "-c", STEPS], capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("", "")


def test_a_terminal_shows_a_bar():
    ours, theirs = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-c", STEPS], stdout=subprocess.PIPE, stderr=theirs, check=True,
        env={**os.environ, "TERM": "xterm"},
    )  # fmt: skip
    os.close(theirs)
    shown = os.read(ours, 65536).decode()
    os.close(ours)
    assert "2/2" in shown
    assert "done" in shown
    assert done.stdout == b""


def test_the_bar_of_a_notebook_says_where_it_is_and_cannot_be_markup():
    bar = Bar(1, 8, "<b>")
    assert repr(bar) == "1/8 <b>"
    assert "value='1' max='8'" in bar._repr_html_()
    assert "<b>" not in bar._repr_html_()


def test_links_of_a_run_are_relative_where_a_notebook_can_follow_them(sample_run, monkeypatch):
    monkeypatch.chdir(sample_run.parent)
    near = lm.Run(sample_run)
    assert f"href='{sample_run.name}/staff/map.html'" in near._repr_html_()
    assert repr(near).splitlines()[0] == f"linemap run in {sample_run.name}"
    monkeypatch.chdir(sample_run / "staff")
    assert f"href='{sample_run.as_uri()}/staff/map.html'" in lm.Run(sample_run)._repr_html_()


def test_every_link_of_a_run_leads_to_a_file_and_the_interval_stands_there(sample_run):
    from linemap.run_folder import PAGES

    shown = lm.Run(sample_run)._repr_html_()
    assert shown.count("<a href=") == len(PAGES)
    assert "90% interval" in shown


def test_a_chart_shows_itself_and_its_title_is_not_cut():
    row = {"homes": 100, "expected_lead_lines": 5.0, "low": 2.0, "high": 9.0}
    widths = []
    for name in ("A", "A name that takes some room"):
        chart = lm.charts.expected_chart(pd.DataFrame([{"name": name, **row}]))
        picture = chart._repr_png_()
        assert picture[:8] == b"\x89PNG\r\n\x1a\n"
        assert repr(chart).startswith(f"<Chart: {name} has the most expected lead lines")
        widths.append(struct.unpack(">I", picture[16:20])[0])
    assert widths[1] > widths[0], "the picture grows with the title"


def test_an_evaluation_and_a_plan_show_their_sentences(sample_run):
    plan = lm.prioritize(lm.Run(sample_run), kits=20)
    judged = lm.Evaluation(None, "Nobody looked.", "checks", {"judged": 0, "homes": 9,
                                                              "judged_lead": 0})  # fmt: skip
    for thing in (plan, judged):
        assert repr(thing).splitlines() == thing.sentences()
        assert thing._repr_html_().count("<li>") == len(thing.sentences())
    assert "cannot rule out a lead line" in repr(plan)
    assert "never clears a home" in repr(judged)


@pytest.mark.parametrize("work", ["score", "evaluate"])
def test_long_work_without_a_teller_asks_for_a_bar(monkeypatch, sample_run, work):
    """Scoring and judging alone, as an analyst calls them, are watched like a whole run."""
    run = lm.Run(sample_run)
    intake = lm.check(run.settings)
    asked = []

    class AskedError(Exception):
        pass

    def watching(tell, steps):
        asked.append((tell, steps))
        raise AskedError

    scored = lm.score_city(intake.city, run.settings) if work == "evaluate" else None
    monkeypatch.setattr("linemap.pipeline.watched", watching)
    call = (
        partial(lm.score_city, intake.city, run.settings)
        if scored is None
        else partial(lm.evaluate_scores, intake.city, scored, run.settings)
    )
    with pytest.raises(AskedError):
        call()
    steps = 4 if work == "score" else len(run.settings.evaluation.protocols)
    assert asked == [(None, steps)]
