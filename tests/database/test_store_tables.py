"""The lists of a run written to a real PostgreSQL with PostGIS: all of them or none."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import geopandas as gpd
import pandas as pd
import pytest
import sqlalchemy as sa

from linemap.errors import DatabaseError
from linemap.followup import store_run
from linemap.outputs import write_database
from linemap.run_folder import Run

TABLES = ("linemap_scores", "linemap_kit_list", "linemap_area_list")


@pytest.fixture
def schema(engine):
    """A schema of its own for each test."""
    with engine.begin() as db:
        db.exec_driver_sql("DROP SCHEMA IF EXISTS lists CASCADE")
        db.exec_driver_sql("CREATE SCHEMA lists")
    return "lists"


@pytest.fixture
def address(server, schema, login):
    return server.address(f"schema={schema}")


def counted(engine, schema):
    """Return the number of rows of each table."""
    with engine.begin() as db:
        return {name: db.exec_driver_sql(f"SELECT count(*) FROM {schema}.{name}").scalar()
                for name in sa.inspect(db).get_table_names(schema=schema)}  # fmt: skip


def test_tables_are_those_of_the_run(sample_run, engine, schema, address):
    run = Run(sample_run)
    assert store_run(run, address) == [f"lists.{name}" for name in TABLES]
    for name, table in zip(TABLES, (run.scores, run.kits, run.areas), strict=True):
        stored = gpd.read_postgis(f"SELECT * FROM lists.{name}", engine, geom_col="geometry")
        assert stored.crs.to_epsg() == 4326
        assert stored.geometry.notna().mean() > 0.9
        key = "area_id" if name == "linemap_area_list" else "parcel_id"
        stored = stored.set_index(key).reindex(table[key])
        for column in table.columns.drop(key):
            mine, theirs = table[column].to_numpy(object), stored[column].to_numpy(object)
            if pd.api.types.is_datetime64_any_dtype(table[column]):
                theirs = pd.to_datetime(stored[column]).to_numpy(object)
            same = (mine == theirs) | (pd.isna(mine) & pd.isna(theirs))
            assert same.all(), (name, column, mine[~same][:3], theirs[~same][:3])
    with engine.begin() as db:
        note = sa.inspect(db).get_table_comment("linemap_scores", schema=schema)["text"]
        readers = db.exec_driver_sql(
            "SELECT count(*) FROM information_schema.role_table_grants "
            "WHERE table_schema = 'lists' AND grantee <> grantor"
        ).scalar()
    assert note.startswith("Written by linemap: Alder Falls, ")
    assert "not a finding" in note
    assert readers == 0, "households are in these tables"


def test_replacing_keeps_rights_and_views_and_is_seen_whole(sample_run, engine, schema, address):
    run = Run(sample_run)
    store_run(run, address)
    with engine.begin() as db:
        db.exec_driver_sql("CREATE VIEW lists.sure AS SELECT * FROM lists.linemap_scores "
                           "WHERE p_lead > 0.9")  # fmt: skip
    with engine.connect() as reader:
        before = reader.exec_driver_sql("SELECT count(*) FROM lists.linemap_scores").scalar()
        reader.exec_driver_sql("SET lock_timeout = '5s'")
        few = {"scores": run.scores.head(10)}
        shapes = {"scores": run.parcels.geometry.reindex(few["scores"]["parcel_id"])}
        write_database(few, shapes, address, city="x", as_of=run.as_of)
        reader.commit()
        after = reader.exec_driver_sql("SELECT count(*) FROM lists.linemap_scores").scalar()
        reader.exec_driver_sql("SELECT * FROM lists.sure")
    assert (before, after) == (len(run.scores), 10)


def test_a_table_of_somebody_else_stops_everything(sample_run, engine, schema, address):
    store_run(Run(sample_run), address)
    before = counted(engine, schema)
    with engine.begin() as db:
        db.exec_driver_sql("COMMENT ON TABLE lists.linemap_area_list IS 'ours'")
    with pytest.raises(DatabaseError, match="linemap_area_list was not written by linemap"):
        store_run(Run(sample_run), address)
    assert counted(engine, schema) == before


def test_a_connection_cut_in_the_middle_changes_nothing(
    sample_run, engine, schema, address, monkeypatch
):
    run = Run(sample_run)
    store_run(run, address)
    before = counted(engine, schema)
    whole = gpd.GeoDataFrame.to_postgis

    def cut(frame, name, connection, **options):
        whole(frame, name, connection, **options)
        if name == "linemap_kit_list":
            with engine.begin() as db:
                db.exec_driver_sql(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE application_name = 'linemap'"
                )

    monkeypatch.setattr(gpd.GeoDataFrame, "to_postgis", cut)
    with pytest.raises(DatabaseError, match="the connection broke"):
        store_run(run, address)
    assert counted(engine, schema) == before


def test_two_writers_wait_for_each_other(sample_run, engine, schema, address):
    scores = Run(sample_run).scores.head(100)
    shapes = {"scores": Run(sample_run).parcels.geometry.reindex(scores["parcel_id"])}

    def write(_):
        write_database({"scores": scores}, shapes, address, city="x", as_of=date(2026, 1, 2))

    with ThreadPoolExecutor(3) as writers:
        assert list(writers.map(write, range(6))) == [None] * 6
    assert counted(engine, schema)["linemap_scores"] == 100


def test_other_columns_and_hostile_text(engine, schema, address):
    shapes = {"t": gpd.GeoSeries.from_xy([-93.26], [44.97], crs=4326)}
    texts = ['=1+1"; DROP TABLE lists.linemap_t; --', "<b>%s\\.\n:x", "nul\0", "N'ULL"]
    for column in ("name", 'we"ird name'):
        for text in texts:
            table = pd.DataFrame({column: [text], "n": [1], "yes": [True], "empty": [None]})
            write_database({"t": table}, shapes, address, city="O'Neil;", as_of=date(2026, 1, 2))
            stored = pd.read_sql_table("linemap_t", engine, schema=schema)
            assert stored[column].tolist() == [text.replace("\0", "")]
            assert stored[["n", "yes"]].to_numpy().tolist() == [[1, True]]


@pytest.mark.parametrize(
    ("rest", "reason"),
    [
        ("schema=nowhere", "the database has no schema nowhere"),
        ("table=a", r"not an address of the form .*schema=SCHEMA"),
        ("schema=a.b", "this names no schema"),
    ],
)
def test_places_that_are_not_there(server, engine, login, rest, reason):
    table = {"t": pd.DataFrame({"n": [1]})}
    shapes = {"t": gpd.GeoSeries.from_xy([0], [0], crs=4326)}
    with pytest.raises(DatabaseError, match=reason):
        write_database(table, shapes, server.address(rest), city="x", as_of=date(2026, 1, 2))


def test_a_database_without_postgis_is_said_so(server, engine, login):
    address = server.address("", database="postgres").rstrip("?")
    shapes = {"t": gpd.GeoSeries.from_xy([0], [0], crs=4326)}
    with pytest.raises(DatabaseError, match="has no PostGIS"):
        write_database({"t": pd.DataFrame({"n": [1]})}, shapes, address, city="x",
                       as_of=date(2026, 1, 2))  # fmt: skip


def test_a_run_from_tables_to_tables_leaves_no_trace_of_the_login(
    server, engine, address, tiny_city, linemap, tmp_path
):
    gpd.read_file(tiny_city / "parcels.gpkg").to_postgis("our_parcels", engine)
    lines = pd.read_csv(tiny_city / "lines.csv", dtype=str)
    lines.to_sql("our_lines", engine, index=False)
    shutil.copy(tiny_city / "checks.csv", tmp_path)
    (tmp_path / "settings.toml").write_text(
        "[files]\nchecks = 'checks.csv'\n"
        f"parcels = '{server.address('table=our_parcels')}'\n"
        f"lines = '{server.address('table=our_lines')}'\n"
        "[evaluation]\nprotocols = ['random']\nfolds = 2\nbootstrap = 20\n"
    )
    code, said = linemap.run("run", "settings.toml", "--out", "run", "--to", address, cwd=tmp_path)
    assert code == 0, said
    assert "lists.linemap_scores" in said
    assert counted(engine, "lists")["linemap_scores"] == len(lines)
    told = [said]
    for words in (
        ("store", "run", address + "x"),
        ("store", "run", "postgresql://127.0.0.1:1/water"),
        ("run", "settings.toml", "--out", "no", "--to", f"postgresql://{server.person}@x/y"),
    ):
        code, said = linemap.run(*words, cwd=tmp_path)
        told.append(said)
        assert code == 1
        assert "Traceback" not in said
    assert not (tmp_path / "no").exists()
    record = json.loads((tmp_path / "run" / "run.json").read_text())
    ours = {server.address(f"table=our_{name}") for name in ("parcels", "lines")}
    assert ours < {item["file"] for item in record["inputs"]}
    written = [p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()]
    for secret in (server.person, server.secret):
        assert not any(secret in text for text in told)
        assert not any(secret.encode() in content for content in written)
