"""Cities at the edge of sense: a right result or a clear sentence, never a wrong list."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from linemap.errors import EvidenceError, InputError
from linemap.pipeline import check, run

NO_KIT = "no home may be sent a kit"


def silent(_):
    """Show no progress."""


def records(tables, material):
    tables["lines"][["utility_material", "customer_material"]] = material


def assert_right(found, count):
    """Every parcel has a probability, an interval around it, and is listed at most once."""
    scores = found.scores
    assert len(scores) == count
    values = scores[["p_low", "p_lead", "p_high"]].to_numpy(float)
    assert np.isfinite(values).all()
    assert (values >= 0).all()
    assert (values <= 1).all()
    assert (np.diff(values, axis=1) >= -1e-9).all()
    assert found.kits["parcel_id"].is_unique
    assert found.kits["parcel_id"].isin(scores.index).all()
    known = scores["inventory_class"].ne("lead status unknown")
    assert not found.kits["parcel_id"].isin(scores.index[known]).any()


def test_a_city_of_one_row(spoiled_city, tmp_path):
    def one(tables):
        home = tables["lines"].query("utility_material == 'unknown'")["parcel_id"].iloc[0]
        for name in list(tables):
            if name not in ("parcels", "lines"):
                del tables[name]
            else:
                tables[name] = tables[name][tables[name]["parcel_id"] == home]

    settings = spoiled_city(one)
    assert check(settings).counts["parcels"]["used"] == 1
    with pytest.raises(EvidenceError, match="no probability would mean anything"):
        run(settings, tmp_path / "run", tell=silent)
    assert not (tmp_path / "run").exists()


def test_a_city_of_which_every_record_is_unknown(spoiled_city, tmp_path):
    settings = spoiled_city(lambda tables: records(tables, "unknown"))
    found = run(settings, tmp_path / "run", tell=silent)
    assert_right(found, 300)
    looked_at = check(settings).city.checks["parcel_id"]
    known = found.scores["inventory_class"].ne("lead status unknown")
    assert set(found.scores.index[known]) <= set(looked_at)


def test_a_city_of_which_nothing_is_known(spoiled_city, tmp_path):
    def nothing(tables):
        records(tables, "unknown")
        del tables["checks"]

    with pytest.raises(EvidenceError, match=r"neither a city record .* nor a field check"):
        run(spoiled_city(nothing), tmp_path / "run", tell=silent)
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(("material", "name"), [("lead", "lead"), ("copper", "non-lead")])
def test_a_city_of_one_material(spoiled_city, tmp_path, material, name):
    """No home needs a kit: the run ends with scores, map, report and a list that says why."""

    def alike(tables):
        records(tables, material)
        tables["checks"]["material"] = material

    found = run(spoiled_city(alike), tmp_path / "run", tell=silent)
    assert_right(found, 300)
    assert len(found.kits) == 0
    assert set(found.scores["inventory_class"].astype(str)) == {name}
    report = (tmp_path / "run" / "staff" / "report.html").read_text(encoding="utf-8")
    assert f"The list is empty: {NO_KIT} (" in report
    for name in ("staff/map.html", "public/map.html", "public/report.html", "lists/kits.xlsx"):
        assert (tmp_path / "run" / name).stat().st_size > 0


def test_all_homes_in_one_spot_and_one_area(spoiled_city, tmp_path):
    def one_spot(tables):
        parcels, areas = tables["parcels"], tables["areas"]
        parcels["geometry"] = parcels.geometry.iloc[0].centroid
        tables["parcels"] = parcels.drop(columns="area_id", errors="ignore")
        tables["areas"] = areas.head(1).assign(geometry=[areas.geometry.union_all()])

    found = run(spoiled_city(one_spot), tmp_path / "run", tell=silent)
    assert_right(found, 300)
    assert len(found.areas) == 1


def test_huge_numbers_bad_shapes_and_repeated_rows(spoiled_city, tmp_path):
    """All at once: what can be used is used, each other row is set aside with its reason."""
    doomed = {}

    def spoil(tables):
        parcels = tables["parcels"]
        parcels["assessed_value"] = [1e308, *[1e5] * (len(parcels) - 1)]
        tables["areas"][["median_income", "population", "children_under_6"]] = 1e300
        tables["samples"]["result"] = ["9" * 400, "1e300", "NaN", *tables["samples"]["result"][3:]]
        shapes = parcels.geometry.to_numpy().copy()
        spot = shapely.centroid(shapes[0])
        x, y = spot.x, spot.y
        size = 20 if parcels.crs.is_projected else 2e-4
        corners = [(x, y), (x + size, y + size), (x + size, y), (x, y + size)]
        shapes[1] = shapely.Polygon()
        shapes[2] = shapely.Point()
        shapes[3] = shapely.Point(np.nan, np.nan)
        shapes[4] = shapely.Polygon([(x, y), (x + size, np.inf), (x + size, y)])
        shapes[5] = shapely.box(x, y, x + size / 1e6, y + size / 1e6)
        shapes[6] = None
        shapes[7] = shapely.Polygon(corners)
        shapes[8] = shapely.Polygon([(x, y), (x + size, y), (x, y)])
        doomed["ids"] = set(parcels["parcel_id"].iloc[[1, 2, 3, 4, 5, 6, 8]])
        parcels = parcels.set_geometry(gpd.GeoSeries(shapes, crs=parcels.crs))
        again = pd.concat([parcels, parcels.iloc[10:60]], ignore_index=True)
        tables["parcels"] = gpd.GeoDataFrame(again, crs=parcels.crs)
        tables["lines"] = pd.concat([tables["lines"]] * 2, ignore_index=True)

    settings = spoiled_city(spoil)
    found = run(settings, tmp_path / "run", tell=silent)
    assert_right(found, 293)
    assert not doomed["ids"] & set(found.scores.index)
    aside = found.quarantine
    assert (aside["reason"].str.startswith("another row above has the same")).sum() >= 350
    shapes = aside[(aside["table"] == "parcels") & (aside["column"] == "geometry")]
    assert sorted(shapes["effect"]) == ["note"] + ["row"] * 7
    assert shapes.loc[shapes["effect"] == "note", "reason"].item().endswith("it was mended.")
    for row in found.info["counts"]:
        assert row["rows_in"] == row["used"] + row["quarantined"], row["table"]


@pytest.mark.parametrize("share", [2, 1], ids=["every second kit", "every kit"])
def test_results_in_mg_l_sent_as_ug_l_are_asked_about(spoiled_city, share):
    """A laboratory's file as it is, with only the unit wrong: no such result is used."""
    wrong = set()

    def spoil(tables):
        samples = tables["samples"]
        late = samples["kit_id"].isin(tables["kits"]["kit_id"].iloc[::share])
        late &= samples["unit"].isin(["ug/L", "ppb"])
        for name in ("result", "detection_limit"):
            parts = samples.loc[late, name].str.extract(r"^(<?)([0-9.]+)$").dropna()
            small = (parts[1].astype(float) / 1000).map("{:.6f}".format)
            samples.loc[parts.index, name] = parts[0] + small
        wrong.update(zip(*(samples.loc[late, n] for n in ("kit_id", "draw", "analyte")),
                         strict=True))  # fmt: skip

    intake = check(spoiled_city(spoil))
    asked = [p for p in intake.problems if "it may be in mg/L." in p.reason]
    assert len(asked) > 20
    assert all(p.remedy.startswith("Ask the laboratory") and p.effect == "row" for p in asked)
    used = intake.city.samples[["kit_id", "draw", "analyte"]].astype(str)
    assert not wrong & set(used.itertuples(index=False, name=None))


def test_a_million_repeated_rows_are_each_accounted_for(monkeypatch):
    """By the checker alone; the same through all the readers takes 100,000 in tests/intake."""
    from linemap.intake import check_table, checker

    rows = 1_000_000
    frame = pd.DataFrame({"parcel_id": np.tile(["1", "2", "3", "4"], rows // 4)})
    frame["utility_material"] = frame["customer_material"] = pd.Categorical(["copper"] * rows)
    used, problems = check_table(frame, "lines")
    assert used["parcel_id"].tolist() == ["1", "2", "3", "4"]
    assert len(problems) == rows - 4
    assert (problems[0].row, problems[-1].row) == ("5", "1000000")
    monkeypatch.setattr(checker, "MOST_LISTED", 1000)
    with pytest.raises(InputError, match="1,996 rows are wrong here, more than can be listed"):
        check_table(frame.head(2000), "lines")
