"""The error family and the record of a problem."""

import dataclasses

import pytest

from linemap import errors
from linemap.errors import InputError, InputWarning, LinemapError, Problem, SettingsError

HERE = Problem("k.csv", "kits", "kit_id", "3", "K1", "taken.", "Keep one.", "row")


def test_every_error_is_drawn_in_the_family_tree():
    named = [
        name
        for name, thing in vars(errors).items()
        if isinstance(thing, type) and issubclass(thing, (LinemapError, Warning))
    ]
    assert len(named) >= 8
    for name in named:
        assert name in errors.__doc__


def test_every_error_has_one_parent():
    for thing in vars(errors).values():
        if isinstance(thing, type) and issubclass(thing, Exception) and thing is not InputWarning:
            assert issubclass(thing, LinemapError)


@pytest.mark.parametrize(
    ("problem", "text"),
    [
        (HERE, "k.csv, table kits, column kit_id, row 3 [K1]: taken. Keep one."),
        (Problem("k.csv", "kits", "", "", "", "empty.", "Fix."), "k.csv, table kits: empty. Fix."),
        (Problem("", "kits", "", "2", "", "odd.", ""), "kits, row 2: odd."),
    ],
)
def test_problem_in_words(problem, text):
    assert str(problem) == text


def test_problem_is_a_value():
    assert dataclasses.replace(HERE, row="4").row == "4"
    assert len({HERE, HERE}) == 1
    with pytest.raises(AttributeError):
        HERE.row = "4"


def test_errors_keep_what_they_list():
    error = InputError([HERE] * 60, others=[HERE])
    assert (len(error.problems), len(error.others)) == (60, 1)
    assert str(error).startswith("60 input problem(s) must be mended first\n  - k.csv")
    assert str(error).endswith("... and 10 more")
    error = SettingsError(["a.", "b."], "s.toml")
    assert str(error) == "s.toml: 2 fault(s) in the settings\n  - a.\n  - b."
    assert error.faults == ["a.", "b."]
