"""Pipes in the ground: the chance of every state of a service line, and the truth drawn from it.

A state is (utility side, customer side, renewed or not), see :data:`STATES`. The generator
draws the truth from :func:`state_chances`, and the oracle uses the very same function.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from synthetic_city.draws import Bools, Floats, Ints, log_odds, logistic
from synthetic_city.knobs import Knobs, Table

MATERIALS = ("lead", "galvanized", "copper", "plastic", "iron")
LEAD, GALVANIZED, COPPER, PLASTIC, IRON = range(5)
STATES = [(u, c, r) for u in range(5) for c in range(5) for r in range(2)]
UTILITY = np.array([s[0] for s in STATES])
CUSTOMER = np.array([s[1] for s in STATES])
RENEWED = np.array([s[2] for s in STATES]) == 1
ANY_LEAD: Bools = (UTILITY == LEAD) | (CUSTOMER == LEAD)
WATER_KIND = np.where(
    (UTILITY == LEAD) & (CUSTOMER == LEAD),
    3,
    np.where(ANY_LEAD, 2, np.where((UTILITY == GALVANIZED) | (CUSTOMER == GALVANIZED), 1, 0)),
)
"""What the water sees of a state: 0 none, 1 galvanized, 2 part lead, 3 lead throughout."""


def utility_lead(line_year: Floats, effect: Floats, big: Bools, knobs: Knobs) -> Floats:
    """Return the chance that the utility's side was laid in lead."""
    at, height = np.array(knobs.lead_curve).T
    score = np.interp(line_year, at, log_odds(height)) + effect
    return logistic(score + np.where(big, knobs.big_line_effect, 0.0))


def laid_chances(line_year: Floats, effect: Floats, big: Bools, knobs: Knobs) -> Floats:
    """Return the chances of (utility side, customer side) as laid, shape (n, 5, 5)."""
    n = len(line_year)
    lead = utility_lead(line_year, effect, big, knobs)
    utility = np.empty((n, 5))
    utility[:, LEAD] = lead
    utility[:, 1:] = (1 - lead)[:, None] * _read(knobs.other_utility, line_year)
    at, height = np.array(knobs.customer_lead_fades).T
    fades = np.interp(line_year, at, height)
    size = np.where(big, knobs.customer_lead_big, 1.0)
    customer = np.empty((n, 2, 5))  # behind a lead utility side, behind another
    customer[:, 0, LEAD] = knobs.customer_lead_if_lead * size
    customer[:, 1, LEAD] = knobs.customer_lead_if_not * fades * size
    customer[:, :, 1:] = (1 - customer[:, :, :1]) * _read(knobs.other_customer, line_year)[
        :, None, :
    ]
    joint = utility[:, :, None] * customer[:, 1][:, None, :]
    joint[:, LEAD] = utility[:, [LEAD]] * customer[:, 0]
    return joint


def renewal_chances(
    line_year: Floats, main_renewed: Bools, owner: Bools, income_z: Floats, knobs: Knobs
) -> Floats:
    """Return the chances of what was renewed since, shape (n, 4).

    The columns are nothing, the utility's side, the customer's side, both.
    """
    old = np.interp(line_year, [1955, 1975], [1.0, 0.1])
    part, whole = knobs.renewed_with_main
    utility = np.where(main_renewed, part, 0.01 * old)
    both = np.where(main_renewed, whole, knobs.renewed_old * old)
    customer = knobs.renewed_customer * old * np.exp(knobs.renewed_income * income_z)
    customer = np.minimum(customer * np.where(owner, 1.0, 0.6), 0.3)
    chances = np.column_stack([np.zeros(len(old)), utility, customer, both])
    chances[:, 0] = 1 - chances.sum(axis=1)
    return chances


def state_chances(laid: Floats, renewed: Floats, knobs: Knobs) -> Floats:
    """Return the chances of all states, shape (n, 50), order of :data:`STATES`."""
    n = len(laid)
    new = np.zeros(5)
    new[[COPPER, PLASTIC]] = knobs.renewed_material
    out = np.zeros((n, 5, 5, 2))
    out[..., 0] = laid * renewed[:, 0][:, None, None]
    out[..., 1] += renewed[:, 1][:, None, None] * new[:, None] * laid.sum(axis=1)[:, None, :]
    out[..., 1] += renewed[:, 2][:, None, None] * laid.sum(axis=2)[:, :, None] * new
    out[..., 1] += renewed[:, 3][:, None, None] * np.outer(new, new)
    return out.reshape(n, 50)


def materials(code: Ints) -> pd.Categorical:
    """Return material names of codes."""
    return pd.Categorical(np.array(MATERIALS)[code], categories=list(MATERIALS))


def _read(rows: Table, at: Floats) -> Floats:
    table = np.array(rows)
    out: Floats = np.column_stack([np.interp(at, table[:, 0], table[:, k]) for k in range(1, 5)])
    return out / out.sum(axis=1, keepdims=True)
