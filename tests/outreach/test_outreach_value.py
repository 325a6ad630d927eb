"""Worth of a kit: each part alone, and what raises or lowers it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.outreach import kit_value
from linemap.outreach.value import chance_of_sensitive
from linemap.settings import ValueSettings


def _homes(**columns: object) -> pd.DataFrame:
    given = {"p_lead": [0.5, 0.5], "p_return": [0.5, 0.25], **columns}
    return pd.DataFrame(given, index=["a", "b"])


def test_finding_alone_is_lead_times_return() -> None:
    parts = kit_value(_homes(), ValueSettings(find=1.0, learn=0.0, harm=0.0))
    assert parts["value"].tolist() == [0.25, 0.125]
    assert list(parts.index) == ["a", "b"]


def test_chance_of_a_child_is_poisson_of_the_children_spread_over_dwellings() -> None:
    """Closed form 1 - exp(-children per dwelling x dwellings); textbook Poisson."""
    homes = _homes(area_id=["x", "x"], children_under_6=[2.0, 2.0], dwelling_units=[1.0, 3.0])
    assert chance_of_sensitive(homes).tolist() == pytest.approx(
        [1 - np.exp(-0.5), 1 - np.exp(-1.5)]
    )


def test_sites_and_pregnancy_are_certain_and_missing_counts_take_the_mean() -> None:
    homes = _homes(site_kind=["school", None], pregnant=[None, "yes"])
    assert chance_of_sensitive(homes).tolist() == [1.0, 1.0]
    homes = _homes(area_id=["x", "y"], children_under_6=[0.3, np.nan])
    assert chance_of_sensitive(homes).tolist() == pytest.approx([1 - np.exp(-0.3)] * 2)
    assert chance_of_sensitive(_homes()).tolist() == [0.0, 0.0]


def test_harm_counts_only_where_there_is_lead() -> None:
    homes = _homes(p_lead=[0.0, 1.0], site_kind=["school", "school"])
    parts = kit_value(homes, ValueSettings(find=0.0, learn=0.0, harm=0.2))
    assert parts["value_harm"].tolist() == [0.0, 0.2]


def test_learning_is_weighed_and_never_negative() -> None:
    homes = _homes(learn=[0.4, -0.1])
    parts = kit_value(homes, ValueSettings(find=0.0, learn=0.5, harm=0.0))
    assert parts["value_learn"].tolist() == [0.2, 0.0]
