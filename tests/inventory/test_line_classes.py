"""Classification of whole tables: evidence, order, totality, and what never enters."""

import ast
import inspect
import itertools
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linemap import inventory
from linemap.errors import ArgumentError
from linemap.tables import MATERIALS, complete_table, empty_table

CONNECTORS = (*MATERIALS, "none")
HISTORIES = ("no", "yes", "unknown")


def record(**columns):
    row = {"parcel_id": "A", "utility_material": "copper", "customer_material": "copper"}
    return pd.DataFrame([row | columns])


def checks(*rows):
    return pd.DataFrame(rows, columns=["checked_on", "side", "material"]).assign(parcel_id="A")


def told(lines, seen=None, **options):
    return inventory.classify_lines(lines, seen, ["A"], **options).loc["A"]


def test_a_check_outranks_the_record_side_by_side():
    line = told(record(), checks(("2024-05-01", "customer", "lead")))
    assert line["inventory_class"] == "lead"
    assert line["basis"] == "field check and city record"
    assert line["utility_material"] == "copper"
    line = told(record(utility_material="unknown"), checks(("2024-05-01", "utility", "plastic")))
    assert line["inventory_class"] == "non-lead"


def test_basis_names_what_was_used():
    both = checks(("2024-05-01", "utility", "copper"), ("2024-05-01", "customer", "copper"))
    assert told(record(), both)["basis"] == "field check"
    assert told(record())["basis"] == "city record"
    assert "may be wrong" in told(record())["why"]
    assert "may be wrong" not in told(record(), both)["why"]
    nothing = told(record(utility_material="unknown", customer_material=None))
    assert nothing["basis"] == "no evidence"
    assert nothing["inventory_class"] == "lead status unknown"


def test_the_latest_check_holds_and_earlier_lead_stays_noted():
    seen = checks(("2024-05-01", "customer", "copper"), ("2019-05-01", "customer", "lead"))
    for rows in (seen, seen.iloc[::-1]):
        line = told(record(), rows)
        assert line["inventory_class"] == "non-lead"
        assert "Lead was seen or recorded here before" in line["why"]


def test_of_two_checks_on_one_day_the_one_nearer_to_lead_holds():
    rows = [("2024-05-01", "customer", m) for m in ("lead", "copper", "galvanized")]
    for order in itertools.permutations(rows):
        assert told(record(), checks(*order))["customer_material"] == "lead"


def test_more_points_do_not_outweigh_lead_seen_on_the_same_day():
    seen = checks(("2024-05-01", "customer", "lead"), ("2024-05-01", "customer", "copper"))
    seen = seen.assign(points=[1, 3])
    for rows in (seen, seen.iloc[::-1]):
        assert told(record(), rows)["inventory_class"] == "lead"


@pytest.mark.parametrize("pair", [("plastic", "copper"), ("copper", "plastic")])
def test_of_two_harmless_materials_on_one_day_the_first_of_the_contract_holds(pair):
    rows = [("2024-05-01", "customer", material) for material in pair]
    assert told(record(), checks(*rows))["customer_material"] == "copper"


def test_a_check_that_could_not_tell_says_nothing():
    line = told(record(), checks(("2024-05-01", "customer", "unknown")))
    assert line["customer_material"] == "copper"
    assert line["basis"] == "city record"


def test_lead_once_upstream_outweighs_a_record_that_says_never():
    galvanized = record(customer_material="galvanized", ever_below_lead="no")
    assert told(galvanized)["inventory_class"] == "non-lead"
    seen = checks(("2010-05-01", "utility", "lead"), ("2024-05-01", "utility", "copper"))
    assert told(galvanized, seen)["inventory_class"] == "galvanized requiring replacement"
    was_lead = galvanized.assign(utility_material="lead")
    line = told(was_lead, checks(("2024-05-01", "utility", "copper")))
    assert line["inventory_class"] == "galvanized requiring replacement"
    assert line["ever_below_lead"] == "yes"


def test_lead_once_on_the_customers_side_touches_only_galvanized_pipe_there():
    """Galvanized on the utility's side is upstream of it."""
    seen = [("2010-05-01", "customer", "lead"), ("2024-05-01", "customer", "copper")]
    upstream = record(utility_material="galvanized", ever_below_lead="no")
    assert told(upstream, checks(*seen))["inventory_class"] == "non-lead"
    seen[1] = ("2024-05-01", "customer", "galvanized")
    line = told(record(ever_below_lead="no"), checks(*seen))
    assert line["inventory_class"] == "galvanized requiring replacement"


def test_lead_connector_is_told_and_counts_only_where_the_state_says_so():
    goose = record(connector_material="lead")
    assert told(goose)["inventory_class"] == "non-lead"
    assert "The connector is lead." in told(goose)["why"]
    assert told(goose, lead_connector_counts=True)["inventory_class"] == "lead"
    below = told(goose.assign(customer_material="galvanized", ever_below_lead="no"))
    assert below["inventory_class"] == "non-lead"
    assert "No lead" not in below["why"]
    assert (
        "Neither side is lead, and the galvanized pipe was never below lead. The connector is lead."
    ) in below["why"]


def test_index_follows_parcel_ids_and_inputs_stay_untouched():
    lines = pd.concat([record(), record(parcel_id="B", utility_material="lead")])
    before = lines.copy()
    classes = inventory.classify_lines(lines, parcel_ids=["C", "B"])
    assert classes.index.tolist() == ["C", "B"]
    assert classes.index.name == "parcel_id"
    assert classes["inventory_class"].tolist() == ["lead status unknown", "lead"]
    pd.testing.assert_frame_equal(lines, before)


def test_without_parcel_ids_those_of_both_tables():
    seen = checks(("2024-05-01", "customer", "lead")).assign(parcel_id="Z")
    assert inventory.classify_lines(record(), seen).index.tolist() == ["A", "Z"]


def test_empty_tables():
    classes = inventory.classify_lines(empty_table("lines"), empty_table("checks"), ["A"])
    assert classes["inventory_class"].tolist() == ["lead status unknown"]
    assert inventory.classify_lines(empty_table("lines")).empty


@pytest.mark.parametrize(
    ("lines", "seen", "ids", "message"),
    [
        (pd.concat([record(), record()]), None, None, "stands twice in lines"),
        (record(), None, ["A", "A"], "holds a parcel twice"),
        (record(utility_material="Cu"), None, None, "'Cu', which is not one of"),
        (record().drop(columns="customer_material"), None, None, "lacks the column"),
        (record(), checks(("2024-05-01", "meter", "lead")), None, "side of a check"),
    ],
)
def test_what_cannot_be_used_is_refused(lines, seen, ids, message):
    with pytest.raises(ArgumentError, match=message):
        inventory.classify_lines(lines, seen, ids)


cells = st.tuples(
    st.sampled_from([*MATERIALS, None]),
    st.sampled_from([*MATERIALS, None]),
    st.sampled_from([*CONNECTORS, None]),
    st.sampled_from([*HISTORIES, None]),
)
looks = st.tuples(
    st.integers(0, 9),
    st.sampled_from(["utility", "customer"]),
    st.sampled_from(MATERIALS),
    st.integers(0, 3),
)


@settings(deadline=None)
@given(st.lists(cells, min_size=1, max_size=8), st.lists(looks, max_size=12), st.randoms())
def test_classification_is_total_and_row_order_never_matters(rows, seen, random):
    lines = pd.DataFrame(rows, columns=["utility_material", "customer_material",
                                        "connector_material", "ever_below_lead"])  # fmt: skip
    lines["parcel_id"] = [f"P{i}" for i in range(len(lines))]
    seen = pd.DataFrame(seen, columns=["home", "side", "material", "day"])
    seen["parcel_id"] = "P" + seen["home"].astype(str)
    seen["checked_on"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(seen["day"], unit="D")
    ids = [f"P{i}" for i in range(10)]
    classes = inventory.classify_lines(lines, seen, ids)
    assert classes["inventory_class"].notna().all()
    assert (classes["why"].str.len() > 0).all()
    mixed = list(range(len(seen)))
    random.shuffle(mixed)
    again = inventory.classify_lines(lines.iloc[::-1], seen.iloc[mixed], ids)
    pd.testing.assert_frame_equal(classes, again)
    typed = inventory.classify_lines(complete_table(lines, "lines"), seen, ids)
    pd.testing.assert_frame_equal(classes, typed)
    for _, line in classes.iterrows():
        one = inventory.classify_line(
            line["utility_material"],
            line["customer_material"],
            ever_below_lead=line["ever_below_lead"],
            connector=line["connector_material"],
        )
        assert one.inventory_class == line["inventory_class"]


def test_every_combination_has_a_class_and_more_lead_never_lowers_it():
    order = ["non-lead", "lead status unknown", "galvanized requiring replacement", "lead"]
    for utility, customer, connector, history in itertools.product(
        MATERIALS, MATERIALS, CONNECTORS, HISTORIES
    ):
        options = {"ever_below_lead": history, "connector": connector}
        federal = inventory.classify_line(utility, customer, **options)
        state = inventory.classify_line(utility, customer, lead_connector_counts=True, **options)
        assert order.index(state.inventory_class) >= order.index(federal.inventory_class)
        once = inventory.classify_line(
            utility, customer, ever_below_lead="yes", connector=connector
        )
        assert order.index(once.inventory_class) >= order.index(federal.inventory_class)
        if "unknown" in (utility, customer):
            assert federal.inventory_class != "non-lead"


def test_a_prediction_never_becomes_a_class():
    clear = record(basis="predicted by a model", connector_material="copper")
    line = told(clear.assign(p_lead=0.001, inventory_class="non-lead"))
    assert line["inventory_class"] == "lead status unknown"
    assert line["basis"] == "no evidence"
    assert "not evidence" in line["why"]
    known = record(basis="tap card")
    for p in (0.0, 1.0):
        assert told(known.assign(p_lead=p))["inventory_class"] == "non-lead"


PREDICTIONS = [
    "machine-learning", "machine learning", "AI classification", "random forest score",
    "probability 0.02", "assumed from building age", "estimated", "Inferred from neighbours",
    "Predicted", "modelled", "model_output", "statistical model", "likely",
]  # fmt: skip


@pytest.mark.parametrize("basis", PREDICTIONS)
def test_a_prediction_clears_nothing_and_takes_no_lead_away(basis):
    """EPA inventory guidance, August 2022 (from memory): not evidence of a class by itself."""
    assert told(record(basis=basis))["inventory_class"] == "lead status unknown"
    for side in ("utility_material", "customer_material"):
        line = told(record(basis=basis, **{side: "lead"}))
        assert line["inventory_class"] == "lead"
        assert line["basis"] == "city record"
        assert line["why"].endswith("lead holds until somebody has looked.")
    galvanized = {"customer_material": "galvanized", "ever_below_lead": "no"}
    assert told(record(basis=basis, **galvanized))["inventory_class"] == "lead status unknown"
    goose = told(record(basis=basis, connector_material="lead"), lead_connector_counts=True)
    assert goose["inventory_class"] == "lead"
    seen = told(record(basis=basis), checks(("2024-05-01", "utility", "lead")))
    assert seen["why"].endswith("which is not evidence.")


@pytest.mark.parametrize(
    "basis",
    ["tap card, Model A meter", "statistical sheet 1940", "plan; meter model 5", "inferior pipe",
     "water sample 250 mL"],
)  # fmt: skip
def test_a_word_of_other_meaning_takes_nothing_from_a_record(basis):
    assert told(record(basis=basis))["inventory_class"] == "non-lead"
    assert told(record(basis=basis, utility_material="lead"))["inventory_class"] == "lead"


def test_no_function_of_the_inventory_takes_a_probability_of_lead():
    taken = re.compile(r"prob|(^|_)p(_|$)|p_lead|score|predict|likelihood|odds|weight")
    for name in inventory.__all__:
        thing = getattr(inventory, name)
        for parameter in inspect.signature(thing).parameters:
            assert not taken.search(parameter), f"{name} takes {parameter}"


def test_no_code_of_the_inventory_reads_a_score():
    folder = Path(inspect.getfile(inventory)).parent
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            texts = [
                getattr(node, part)
                for part in ("id", "attr", "arg", "value")
                if isinstance(getattr(node, part, None), str)
            ]
            assert not {"p_lead", "p_low", "p_high", "scores"} & set(texts), path.name


def test_public_names_exist_and_are_sorted():
    assert inventory.__all__ == sorted(set(inventory.__all__), key=lambda n: (n.islower(), n))
    assert all(hasattr(inventory, name) for name in inventory.__all__)


def test_summary_counts_every_line_once():
    rng = np.random.default_rng(5)
    n = 500
    lines = pd.DataFrame(
        {
            "parcel_id": [f"P{i}" for i in range(n)],
            "utility_material": rng.choice(MATERIALS, n),
            "customer_material": rng.choice(MATERIALS, n),
            "connector_material": rng.choice(CONNECTORS, n),
        }
    )
    table = inventory.inventory_summary(inventory.classify_lines(lines))
    assert table.groupby("part")["lines"].sum().to_dict() == {
        "basis": n,
        "connectors": n,
        "service lines": n,
    }
    connectors = table[table["part"] == "connectors"].set_index("category")["lines"]
    assert list(connectors.index) == ["lead", "non-lead", "unknown", "none"]
    assert connectors["none"] == (lines["connector_material"] == "none").sum()
    assert connectors["lead"] == (lines["connector_material"] == "lead").sum()
