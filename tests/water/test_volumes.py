"""Flush against line: the plug of water, its share in the bottle, and what is not known."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linemap.errors import ArgumentError
from linemap.water import flush_reach, line_volume

QUICK = settings(max_examples=60, deadline=None, derandomize=True)


def one(minutes, line, **options):
    return flush_reach(pd.Series([minutes]), line, **options).iloc[0]


@pytest.mark.parametrize(
    ("minutes", "share", "reach"),
    [
        (0.0, 0.0, "short of the line"),  # bottle holds litres 1 to 2, line 2 to 6
        (0.5, 0.5, "in the line"),
        (1.0, 1.0, "in the line"),
        (4.0, 1.0, "in the line"),
        (4.5, 0.5, "in the line"),
        (5.0, 0.0, "past the line"),
    ],
)
def test_a_plug_of_four_litres_behind_two(minutes, share, reach):
    found = one(minutes, 4.0, flow_l_min=1.0, premise_l=2.0)
    assert (found["share_low"], found["share_high"]) == (share, share)
    assert found["reach"] == reach


@QUICK
@given(st.floats(0, 10), st.floats(0.1, 10), st.floats(0.5, 8), st.floats(1, 4), st.floats(0, 1))
def test_the_range_of_shares_holds_every_flow_between(minutes, line, slow, ratio, where):
    wide = one(minutes, line, flow_l_min=(slow, slow * ratio), premise_l=2.0)
    flow = slow + where * (slow * ratio - slow)
    exact = one(minutes, line, flow_l_min=flow, premise_l=2.0)
    assert wide["share_low"] - 1e-9 <= exact["share_low"] <= wide["share_high"] + 1e-9
    if wide["reach"] != "not known" and wide["reach"] != "in the line":
        assert exact["reach"] == wide["reach"]


def test_index_is_kept_and_unknown_stays_unknown():
    minutes = pd.Series([2.0, np.nan], index=["a", "b"])
    found = flush_reach(minutes, np.array([4.0, 4.0]))
    assert list(found.index) == ["a", "b"]
    assert found.loc["b", "reach"] == "not known"
    assert np.isnan(found.loc["b", "share_low"])
    assert one(2.0, np.nan)["reach"] == "not known"


def test_metres_and_feet_agree():
    assert line_volume(0.75, length_m=15.24) == pytest.approx(line_volume(0.75, length_ft=50))


@pytest.mark.parametrize(
    "options", [{"flow_l_min": 0.0}, {"flow_l_min": (3.0, 1.0)}, {"premise_l": -1}, {"bottle_l": 0}]
)
def test_impossible_settings(options):
    with pytest.raises(ArgumentError):
        one(1.0, 4.0, **options)
    with pytest.raises(ArgumentError):
        line_volume(-1, length_m=1)
