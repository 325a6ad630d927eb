"""The oracle: the best that anybody could say from the utility's evidence.

It knows how the city was made (every knob, every latent effect of place) but not the pipes: it
sees the same building years (missing and rounded), cards, forms, bottles and checks as the
utility, and returns the exact posterior. Nothing beats it but by luck.

Departures from exactness, all tiny: the era of the plumbing, the true owner and the main's year
are taken as known where the assessor's table has gaps; that nobody asked for a check is not used.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline

from synthetic_city.bottles import KINDS, bottle_likelihood, log_means
from synthetic_city.buildings import (
    FIRST_YEAR,
    LAST_YEAR,
    nearest,
    rounding_chances,
    year_spread,
)
from synthetic_city.checks import SIDES, check_likelihood
from synthetic_city.draws import Floats, Ints
from synthetic_city.kits import TOLD, YES_NO, entry_chances
from synthetic_city.knobs import Knobs
from synthetic_city.pipes import (
    ANY_LEAD,
    CUSTOMER,
    IRON,
    MATERIALS,
    RENEWED,
    UTILITY,
    WATER_KIND,
    laid_chances,
    renewal_chances,
    state_chances,
)
from synthetic_city.records import record_likelihood, wrong_chances

_AT_ONCE = 20_000
_NODES = 15  # effects of a contract at which its homes' evidence is weighed, .5 sd apart
_EFFECTS = np.linspace(-3.5, 3.5, _NODES)  # [sd]
_NEGLIGIBLE = 1e-5  # candidates of less weight beside a home's likeliest are left out


@dataclass(frozen=True)
class Told:
    """What a city is made of and what its utility has been told.

    Attributes
    ----------
    homes : DataFrame
        Truth table; only what the module text names is read from it.
    area : DataFrame
        Areas with latent columns; ``homes.area`` is a row of it.
    checks, kits : DataFrame
        With ``home`` (row number of ``homes``).
    samples, answers : DataFrame
        Keyed by ``kit_id``.
    knobs : Knobs
    """

    homes: pd.DataFrame
    area: pd.DataFrame
    checks: pd.DataFrame
    kits: pd.DataFrame
    samples: pd.DataFrame
    answers: pd.DataFrame
    knobs: Knobs


def posterior(told: Told) -> tuple[Floats, Floats]:
    """Return the chance of lead from building and place alone, and after all evidence.

    Returns
    -------
    p_place, p_oracle : array, shape (n,)
    """
    n = len(told.homes)
    place, after = np.empty(n), np.empty(n)
    own = told.homes["contract_effect"].to_numpy()
    for part, heard in _heard(told):
        prior = _Prior(told.homes.iloc[part], told.knobs)(own[part])
        place[part] = prior[:, ANY_LEAD].sum(axis=1)
        total, lead = _sums(prior, heard)
        after[part] = lead / total
    return place, after


def learned_posterior(told: Told) -> Floats:
    """Return the chance of lead after all evidence, for one who must learn the contracts' effects.

    Every rate is known, and which homes share a main contract, but not how much lead a contract
    laid: that is learned from the evidence on its homes, exactly. Given its effect the homes of a
    contract are independent, so each effect has a posterior in one dimension.

    Returns
    -------
    array, shape (n,)
    """
    log, share = by_effect(told)
    contract = told.homes["contract"].to_numpy()
    by_contract: Floats = np.stack([np.bincount(contract, row) for row in log]).astype(float)
    at_nodes, _ = effect_weights(by_contract, fine=20)
    mean = np.einsum("kn,kn->n", at_nodes[:, contract], share)
    return np.clip(mean, 1e-9, 1 - 1e-9)


def by_effect(told: Told) -> tuple[Floats, Floats]:
    """Return what each home's evidence says under each effect that its contract may have.

    Returns
    -------
    log, share : array, shape (15, n)
        Log-likelihood of the evidence, and chance of lead after it, at effects half a standard
        deviation apart.
    """
    homes, knobs = told.homes, told.knobs
    total = np.empty((_NODES, len(homes)))
    lead = np.empty_like(total)
    for part, heard in _heard(told):
        prior = _Prior(homes.iloc[part], knobs)
        for node, z in enumerate(_EFFECTS):
            held = prior(np.full(heard.shape[0], knobs.contract_sd * z))
            total[node, part], lead[node, part] = _sums(held, heard)
    return np.log(total), lead / total


def effect_weights(log: Floats, *, fine: int) -> tuple[Floats, Floats]:
    """Return the posterior of the effects of contracts, and the evidence for each contract.

    Parameters
    ----------
    log : array, shape (15, n_contracts)
        Log-likelihood of all evidence on the homes of a contract, from :func:`by_effect`.
    fine : int
        Parts into which each step between two effects is cut for the sums.

    Returns
    -------
    weight : array, shape (15, n_contracts)
        Weights with which the chances at the 15 effects are averaged.
    evidence : array, shape (n_contracts,)
        Log-likelihood with the effect summed over; up to a constant.
    """
    grid, spline = _fine(fine)
    at = spline @ log - 0.5 * grid[:, None] ** 2
    top = at.max(axis=0)
    weight = np.exp(at - top)
    size = weight.sum(axis=0)
    # a spline is linear in what it runs through, so the mean over the fine grid is one over nodes
    return spline.T @ (weight / size), np.log(size) + top


@cache
def _fine(parts: int) -> tuple[Floats, Floats]:
    """Return a fine grid of effects [sd], and the matrix of the spline from the 15 to it."""
    grid = np.linspace(_EFFECTS[0], _EFFECTS[-1], parts * (_NODES - 1) + 1)
    return grid, CubicSpline(_EFFECTS, np.eye(_NODES))(grid)


def _heard(told: Told) -> Iterator[tuple[slice, Floats]]:
    """Yield the log-likelihood of all evidence on some homes at a time, under each state."""
    homes, area, knobs = told.homes, told.area, told.knobs
    witnesses = [
        _seen(told.checks, knobs),
        _told(homes, told.kits, told.answers, knobs),
        _measured(homes, told.kits, told.samples, knobs),
    ]
    for start in range(0, len(homes), _AT_ONCE):
        part = slice(start, min(start + _AT_ONCE, len(homes)))
        some = homes.iloc[part]
        card = record_likelihood(
            some["recorded_utility"].to_numpy(),
            some["recorded_customer"].to_numpy(),
            wrong_chances(some["year"].to_numpy(), area, some["area"].to_numpy(), knobs),
            knobs,
        )
        log = np.log(np.maximum(card, 1e-300))
        for home, weight in witnesses:
            low, high = np.searchsorted(home, [part.start, part.stop])
            np.add.at(log, home[low:high] - start, weight[low:high])
        yield part, log


def _sums(prior: Floats, heard: Floats) -> tuple[Floats, Floats]:
    """Return the likelihood of what was heard, times the same for all; and the part with lead."""
    share = prior * np.exp(heard - heard.max(axis=1, keepdims=True))
    return share.sum(axis=1), share[:, ANY_LEAD].sum(axis=1)


class _Prior:
    """Chances of all states from building and place, under any effects of the contracts."""

    def __init__(self, homes: pd.DataFrame, knobs: Knobs) -> None:
        self.knobs = knobs
        self.home, self.line_year, self.weight = _line_years(homes, knobs)
        self.big = homes["big"].to_numpy()[self.home]
        self.renewed = renewal_chances(
            self.line_year,
            homes["main_year"].to_numpy()[self.home] > self.line_year + 15,
            homes["owner"].to_numpy()[self.home],
            homes["income_z"].to_numpy()[self.home],
            knobs,
        )
        self.first = np.flatnonzero(np.r_[True, self.home[1:] != self.home[:-1]])

    def __call__(self, effect: Floats) -> Floats:
        """Return the chances under the effect of each home's contract, shape (n, 50)."""
        laid = laid_chances(self.line_year, effect[self.home], self.big, self.knobs)
        states = state_chances(laid, self.renewed, self.knobs) * self.weight[:, None]
        total: Floats = np.add.reduceat(states, self.first, axis=0)
        return total / total.sum(axis=1, keepdims=True)


def _line_years(homes: pd.DataFrame, knobs: Knobs) -> tuple[Ints, Floats, Floats]:
    """Return candidate line years with their weights, in the order of homes.

    A year that ends in 0 or 5 may be rounded, a missing one may be any of the tract's; and a
    house later than its tract may stand on the tract's line.
    """
    told = homes["year_built"].to_numpy(dtype=float)
    wave = homes["wave_year"].to_numpy()
    gone = np.isnan(told)
    round_ = ~gone & (told % 5 == 0)
    exact = np.flatnonzero(~gone & ~round_)
    near = np.arange(-5, 6)
    about = np.arange(-9, 10)  # a missing year: the tract's own years one by one, ...
    far = np.arange(FIRST_YEAR, LAST_YEAR + 1, 5)  # ... later ones in steps of five
    home = np.concatenate(
        [
            exact,
            np.repeat(np.flatnonzero(round_), len(near)),
            np.repeat(np.flatnonzero(gone), len(about)),
            np.repeat(np.flatnonzero(gone), len(far)),
        ]
    )
    year = np.concatenate(
        [
            told[exact],
            (told[round_][:, None] + near).ravel(),
            (np.round(wave[gone])[:, None] + about).ravel(),
            np.tile(far, int(gone.sum())).astype(float),
        ]
    ).astype(np.int64)
    step = np.ones(len(home))
    step[len(home) - int(gone.sum()) * len(far) :] = 5.0
    own, old = _weights(year, told[home], wave[home], step, knobs)

    every = np.concatenate([home, home])
    line_year = np.concatenate([year.astype(float), np.round(wave[home])])
    weight = np.concatenate([own, old])
    order = np.argsort(every, kind="stable")
    every, line_year, weight = every[order], line_year[order], weight[order]
    top = np.maximum.reduceat(weight, np.flatnonzero(np.r_[True, every[1:] != every[:-1]]))
    use = weight > _NEGLIGIBLE * top[every]
    return every[use], line_year[use], weight[use]


def _weights(
    year: Ints, told: Floats, wave: Floats, step: Floats, knobs: Knobs
) -> tuple[Floats, Floats]:
    """Return the weights of candidate years for a line as old as the house, and as the tract.

    ``step`` is the number of years that a candidate stands for: 1 for a year itself, 5 for the
    coarse grid, on which only later building is counted (and not twice near the tract's year).
    """
    sd = year_spread(wave, knobs)
    early = np.exp(-0.5 * ((year - wave) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    early = np.where(step == 1, np.maximum(early, 1e-12), 0.0)
    later = (year >= wave + 7.5) & (wave < 1990)
    missing = np.isnan(told)
    close = np.abs(year - np.round(wave)) <= 9
    later &= ~missing | (close == (step == 1))
    late = np.where(later, step / (LAST_YEAR - wave - 8), 0.0)
    infill = np.where(wave < 1990, knobs.infill_share, 0.0)
    to_five, to_ten = rounding_chances(year, knobs)
    report = np.where(
        missing,
        1.0,
        (1 - to_five - to_ten) * (year == told)
        + to_five * (nearest(year, 5) == told)
        + to_ten * (nearest(year, 10) == told),
    )
    report = report * ((year >= FIRST_YEAR) & (year <= LAST_YEAR))
    own = ((1 - infill) * early + infill * (1 - knobs.infill_reuses_line) * late) * report
    return own, infill * knobs.infill_reuses_line * late * report


def _seen(checks: pd.DataFrame, knobs: Knobs) -> tuple[Ints, Floats]:
    """Return the log-likelihood of every check under each state."""
    seen = pd.Index(checks["material"].astype(str))
    code = pd.Index(list(MATERIALS)).get_indexer(seen).astype(np.int64)
    at_utility = (checks["side"].astype(str) == SIDES[0]).to_numpy()
    true = np.where(at_utility[:, None], UTILITY, CUSTOMER)
    return _sorted(
        checks["home"].to_numpy(dtype=np.int64),
        np.log(check_likelihood(true, code[:, None], knobs.check_error)),
    )


def _told(
    homes: pd.DataFrame, kits: pd.DataFrame, answers: pd.DataFrame, knobs: Knobs
) -> tuple[Ints, Floats]:
    """Return the log-likelihood of every form under each state."""
    home = answers["kit_id"].map(kits.set_index("kit_id")["home"]).to_numpy().astype(np.int64)
    entry = pd.Categorical(answers["entry_pipe"], categories=list(TOLD)).codes.astype(np.int64)
    renewed = pd.Categorical(answers["line_replaced"], categories=list(YES_NO)).codes
    owner = homes["owner"].to_numpy()[home]
    by_material = np.stack(
        [entry_chances(np.full(len(home), m), owner, knobs) for m in range(5)], axis=1
    )
    said = np.take_along_axis(by_material, entry[:, None, None], axis=2)[:, :, 0][:, CUSTOMER]
    card = homes["recorded_customer"].to_numpy()[home]
    copying = np.where(card < IRON, knobs.answer_repeats_record, 0.0)[:, None]
    said = (1 - copying) * said + copying * (entry == card)[:, None]
    changed = np.where(
        RENEWED,
        np.array(knobs.renewed_told)[renewed][:, None],
        np.array(knobs.renewed_told_not)[renewed][:, None],
    )
    return _sorted(home, np.log(np.maximum(said, 1e-300)) + np.log(changed))


def _measured(
    homes: pd.DataFrame, kits: pd.DataFrame, samples: pd.DataFrame, knobs: Knobs
) -> tuple[Ints, Floats]:
    """Return the log-likelihood of all bottles of a home under each state.

    The home's own effect is summed over (Gauss-Hermite), shared by all its kits; so are filters
    that the form hides and bottles that changed places.
    """
    lead = samples[samples["analyte"] == "lead"]
    back = kits[kits["kit_id"].isin(lead["kit_id"])]
    value, limit = (
        {
            draw: part.set_index("kit_id")[name].reindex(back["kit_id"]).to_numpy(dtype=float)
            for draw, part in lead.groupby("draw", observed=True)
        }
        for name in ("value_ug_l", "limit_ug_l")
    )
    nowhere = np.full(len(back), np.nan)
    home = back["home"].to_numpy(dtype=np.int64)
    stood = back["stagnation_h"].to_numpy(dtype=float)
    ran = back["flush_min"].to_numpy(dtype=float)
    means = log_means(homes["solder"].to_numpy()[home], stood, ran, knobs)
    node, mass = np.polynomial.hermite_e.hermegauss(21)
    effect = knobs.home_sd * node
    told = pd.Categorical(back["filter_used"], categories=list(YES_NO)).codes
    chance = np.array([knobs.filter_told_off, knobs.filter_told])[:, told]
    chance *= np.array([1 - knobs.filter_on, knobs.filter_on])[:, None]
    chance /= chance.sum(axis=0)
    noted = (back["bottles_swapped"] == "yes").to_numpy()
    note = [np.where(noted, chance, 1 - chance) for chance in knobs.swap_noted]
    swap = np.array([(1 - knobs.bottles_swapped) * note[1], knobs.bottles_swapped * note[0]])
    swap /= swap.sum(axis=0)
    total = np.full((len(back), KINDS, len(node)), -np.inf)
    for filtered in (False, True):
        for swapped in (False, True):
            order = means[::-1] if swapped else means
            log = np.log(swap[int(swapped)] * chance[int(filtered)])[:, None, None]
            for draw, mean in zip(("first", "flushed"), order, strict=True):
                log = log + bottle_likelihood(
                    value.get(draw, nowhere),
                    limit.get(draw, nowhere),
                    mean,
                    effect,
                    filtered,
                    knobs,
                )
            total = np.logaddexp(total, log)
    owner, place = np.unique(home, return_inverse=True)
    joint = np.zeros((len(owner), KINDS, len(node)))
    np.add.at(joint, place, total)
    top = joint.max(axis=2, keepdims=True, initial=-1e300)
    by_kind = np.log((np.exp(joint - top) * (mass / mass.sum())).sum(axis=2)) + top[:, :, 0]
    return owner, by_kind[:, WATER_KIND]


def _sorted(home: Ints, weight: Floats) -> tuple[Ints, Floats]:
    order = np.argsort(home, kind="stable")
    return home[order], weight[order]
