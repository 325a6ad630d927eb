"""The level of a state goes from the settings into every figure of a run."""

import datetime as dt

import pandas as pd

from linemap.assembly import judged_kits, water_figures
from linemap.settings import parse_settings
from linemap.tables import City, complete_table

PARCELS = pd.DataFrame({"area_id": ["A"], "line_diameter_in": [1.0]}, index=["P"])


def figures(**rules):
    raw = {"files": {"parcels": "postgresql://h/d?table=t"}, "rules": rules}
    settings = parse_settings(raw)
    kits = complete_table(pd.DataFrame({"kit_id": ["K"], "parcel_id": ["P"]}), "kits")
    samples = pd.DataFrame(
        {"kit_id": ["K"], "draw": ["first"], "analyte": ["lead"], "value_ug_l": [13.0],
         "limit_ug_l": [1.0], "below_limit": [False]}
    )  # fmt: skip
    city = City("x", PARCELS, kits=kits, samples=samples)
    pairs = judged_kits(city, settings)
    return water_figures(city, pairs, settings, dt.date(2026, 11, 25))["first"]["percentile_90"]


def test_the_level_of_the_settings_state_is_held():
    """Michigan: 12 ug/L from 1 January 2025, Mich. Admin. Code R 325.10604f(1)(c)."""
    assert (figures()["action_level"], figures()["exceeded"]) == (15.0, False)
    held = figures(state="Michigan")
    assert (held["action_level"], held["exceeded"]) == (12.0, True)
