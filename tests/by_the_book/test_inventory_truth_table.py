"""The federal class of every pair of sides.

Source: definitions of 40 CFR 141.2 and 141.84 (LCRI, 89 FR 86418) as told by the EPA fact sheet
on the service line inventory, October 2024; the cells are worked out from the definitions and
agree with the text of the Louisiana Department of Health. The cell (galvanized once below lead,
unknown) is our reading of the order of the rules.
"""

import pandas as pd
import pytest

from linemap.inventory import classify_line, classify_lines

L, G, N, U = (
    "lead",
    "galvanized requiring replacement",
    "non-lead",
    "lead status unknown",
)
CUSTOMER = ("lead", "galvanized", "copper", "unknown")
ROWS = [
    # utility's side, ever below lead, class by customer's side
    ("lead", "yes", (L, L, L, L)),
    ("galvanized", "no", (L, N, N, U)),
    ("galvanized", "yes", (L, G, G, G)),
    ("copper", "no", (L, N, N, U)),  # proven never lead
    ("copper", "yes", (L, G, N, U)),  # was lead
    ("copper", "unknown", (L, G, N, U)),  # history not known
    ("unknown", "unknown", (L, G, U, U)),
]
CELLS = [
    (utility, history, customer, expected)
    for utility, history, row in ROWS
    for customer, expected in zip(CUSTOMER, row, strict=True)
]


def test_there_are_28_cells():
    assert len(set(CELLS)) == 28


@pytest.mark.parametrize(("utility", "history", "customer", "expected"), CELLS)
@pytest.mark.parametrize("connector", ["none", "lead", "copper", "unknown"])
def test_cell(utility, history, customer, expected, connector):
    """A connector never changes the federal class: it is not part of the line's definition."""
    line = classify_line(utility, customer, ever_below_lead=history, connector=connector)
    assert line.inventory_class == expected
    assert line.why


def test_the_table_of_all_cells_at_once():
    lines = pd.DataFrame(CELLS, columns=["utility_material", "ever_below_lead",
                                         "customer_material", "expected"])  # fmt: skip
    lines["parcel_id"] = [f"P{i}" for i in range(len(lines))]
    classes = classify_lines(lines)
    assert classes["inventory_class"].tolist() == lines["expected"].tolist()


@pytest.mark.parametrize("customer", CUSTOMER)
def test_history_not_known_counts_as_once_below_lead(customer):
    unknown = classify_line("galvanized", customer, ever_below_lead="unknown")
    yes = classify_line("galvanized", customer, ever_below_lead="yes")
    assert unknown.inventory_class == yes.inventory_class


@pytest.mark.parametrize("history", ["no", "yes", "unknown"])
def test_galvanized_below_an_unknown_side_requires_replacement_whatever_its_history(history):
    """'Currently downstream of an unknown line' needs no history."""
    assert classify_line("unknown", "galvanized", ever_below_lead=history).inventory_class == G


def test_the_two_sides_do_not_trade_places():
    assert classify_line("galvanized", "unknown", ever_below_lead="no").inventory_class == U
    assert classify_line("unknown", "galvanized", ever_below_lead="no").inventory_class == G


@pytest.mark.parametrize(("utility", "history", "customer", "expected"), CELLS)
def test_a_state_may_count_a_lead_connector_as_lead(utility, history, customer, expected):
    """State variant, from memory: Michigan counts lead goosenecks as lead service lines."""

    def told(connector):
        return classify_line(
            utility,
            customer,
            ever_below_lead=history,
            connector=connector,
            lead_connector_counts=True,
        ).inventory_class

    assert told("lead") == L
    assert told("none") == told("unknown") == expected
