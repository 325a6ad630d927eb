"""The invented city: every table in one value, made stage by stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from synthetic_city.addresses import addresses
from synthetic_city.buildings import put_up_buildings
from synthetic_city.checks import first_checks
from synthetic_city.codes import coded, keyed
from synthetic_city.draws import Ints, choose, stream
from synthetic_city.ground import lay_streets, nearest_centre, stretches
from synthetic_city.kits import past_kits, return_chance
from synthetic_city.knobs import Knobs, preset_knobs
from synthetic_city.lots import cut_lots
from synthetic_city.neighbourhoods import draw_areas
from synthetic_city.oracle import Told, posterior
from synthetic_city.pipes import (
    ANY_LEAD,
    CUSTOMER,
    GALVANIZED,
    RENEWED,
    UTILITY,
    laid_chances,
    materials,
    renewal_chances,
    state_chances,
)
from synthetic_city.records import BLANK, write_records

NAME = "Alder Falls"
MIN_PARCELS = 100


@dataclass(frozen=True)
class InventedCity:
    """An invented city: the utility's tables, and the truth apart.

    Attributes
    ----------
    name, seed, preset : str, int, str
    knobs : Knobs
        All parameters of the generator.
    parcels, lines : GeoDataFrame, DataFrame
        Indexed by ``parcel_id``; columns, units and codes of the table contracts.
    checks, kits, samples, answers, areas, sites : DataFrame
        The same, with a range index. ``samples`` has in addition ``value_ug_l``,
        ``limit_ug_l`` and ``below_limit``, as after reading (both NaN where the print cannot
        be read); they are not written to files.
    truth : DataFrame
        Indexed by ``parcel_id``: utility_material, customer_material, is_lead (any part lead),
        needs_replacement (lead, or galvanized, which nobody here can show was never below lead),
        renewed, year, line_year, wave_year [year], contract, contract_effect [log-odds],
        p_true (chance from which the pipes were drawn), p_place (the oracle before any card,
        form, bottle or check), p_oracle (after all), unknown (no check, no lead on the card and
        at least one side blank), record_wrong, p_return (chance that a kit mailed unasked comes
        back), home_effect [ln], and further latent columns of the generator.
    area_truth : DataFrame
        Indexed by ``area_id``: latent effects of the neighbourhoods.
    """

    name: str
    seed: int
    preset: str
    knobs: Knobs
    parcels: gpd.GeoDataFrame
    lines: pd.DataFrame
    checks: pd.DataFrame
    kits: pd.DataFrame
    samples: pd.DataFrame
    answers: pd.DataFrame
    areas: gpd.GeoDataFrame
    sites: pd.DataFrame
    truth: pd.DataFrame
    area_truth: pd.DataFrame


def make_city(
    parcels: int = 20_000, seed: int = 7, preset: str = "good_records", **changes: Any
) -> InventedCity:
    """Make an invented city with known truth.

    Parameters
    ----------
    parcels : int
        Number of parcels, 100 or more.
    seed : int
        Seed of everything; the same seed gives the same city.
    preset : {"good_records", "poor_records", "corrosion_control"}
    **changes
        Knobs to set by name, see :class:`synthetic_city.Knobs`.

    Returns
    -------
    InventedCity

    Raises
    ------
    ValueError
        If the number is too small, or there is no such preset or knob.

    Examples
    --------
    >>> city = make_city(300, seed=1)
    >>> len(city.parcels), city.parcels.crs.to_epsg()
    (300, 32616)
    """
    if parcels < MIN_PARCELS:
        raise ValueError(f"a city needs {MIN_PARCELS} parcels or more, not {parcels}")
    if seed < 0:
        raise ValueError(f"seed = {seed} must be 0 or more")
    knobs = preset_knobs(preset, **changes)
    plan = lay_streets(parcels, knobs=knobs, seed=seed)
    lots = cut_lots(plan, parcels, knobs=knobs, seed=seed)
    area, area_of = draw_areas(plan, lots, knobs=knobs, seed=seed)
    homes = put_up_buildings(lots, area, area_of, knobs=knobs, seed=seed)
    homes = pd.concat([homes, lots[["x", "y", "wave_year"]]], axis=1)
    homes["area"] = area_of
    for name in ("income_z", "return_effect"):
        homes[name] = area[name].to_numpy()[area_of]
    street = pd.factorize(lots["street"].to_numpy() * 100_000 + lots["stretch"].to_numpy())[0]
    homes["street_segment"] = street
    homes["contract"], homes["contract_effect"] = _contracts(homes, knobs, seed)
    homes = _lay_pipes(homes, knobs, seed)

    lines, homes["recorded_utility"], homes["recorded_customer"], homes["record_wrong"] = (
        write_records(
            homes["state"].to_numpy(),
            homes["year"].to_numpy(),
            homes["year_built"].to_numpy(),
            area,
            area_of,
            knobs=knobs,
            seed=seed,
        )
    )
    checks = first_checks(homes, homes["recorded_utility"].to_numpy(), knobs=knobs, seed=seed)
    sent = past_kits(homes, checks["home"].unique(), knobs=knobs, seed=seed)
    homes["p_place"], homes["p_oracle"] = posterior(
        Told(homes, area, checks, sent.kits, sent.samples, sent.answers, knobs)
    )
    homes["p_return"] = return_chance(homes, np.zeros(len(homes), dtype=bool), knobs)
    homes["unknown"] = _unknown(homes, checks)
    key = pd.Index([f"AF{i + 1:07d}" for i in range(len(homes))], name="parcel_id")
    return InventedCity(
        name=NAME,
        seed=seed,
        preset=preset,
        knobs=knobs,
        parcels=_parcels(lots, homes, area, key),
        lines=coded(lines.set_axis(key)),
        checks=coded(keyed(checks, key)),
        kits=coded(keyed(sent.kits, key)),
        samples=coded(sent.samples),
        answers=coded(sent.answers),
        areas=area[["area_id", "geometry", "name", *_AREA_NUMBERS]],
        sites=_sites(homes, key, seed),
        truth=_truth(homes, key),
        area_truth=pd.DataFrame(area.drop(columns=["geometry", "name", *_AREA_NUMBERS])).set_index(
            "area_id"
        ),
    )


_AREA_NUMBERS = ("children_under_6", "median_income", "need", "population")


def _contracts(homes: pd.DataFrame, knobs: Knobs, seed: int) -> tuple[Ints, np.ndarray]:
    """Return the main contract of each home and its effect; a stretch has one contract."""
    rng = stream(seed, "contracts")
    stretch, x, y = stretches(homes)
    contract, at_x, _ = nearest_centre(x, y, knobs.contract_spacing, rng)
    effect = knobs.contract_sd * rng.standard_normal(len(at_x))
    return contract[stretch], effect[contract][stretch]


def _lay_pipes(homes: pd.DataFrame, knobs: Knobs, seed: int, at_once: int = 50_000) -> pd.DataFrame:
    """Return the homes with the true state of their lines."""
    rng = stream(seed, "pipes")
    n = len(homes)
    state = np.empty(n, dtype=np.int64)
    p_true = np.empty(n)
    for start in range(0, n, at_once):
        some = homes.iloc[start : start + at_once]
        year = some["line_year"].to_numpy().astype(float)
        laid = laid_chances(year, some["contract_effect"].to_numpy(), some["big"].to_numpy(), knobs)
        renewed = renewal_chances(
            year,
            some["main_renewed"].to_numpy(),
            some["owner"].to_numpy(),
            some["income_z"].to_numpy(),
            knobs,
        )
        chances = state_chances(laid, renewed, knobs)
        state[start : start + at_once] = choose(rng, chances)
        p_true[start : start + at_once] = chances[:, ANY_LEAD].sum(axis=1)
    return homes.assign(
        state=state,
        utility_code=UTILITY[state],
        customer_code=CUSTOMER[state],
        is_lead=ANY_LEAD[state],
        renewed=RENEWED[state],
        p_true=p_true,
        home_effect=knobs.home_sd * rng.standard_normal(n),
    )


def _unknown(homes: pd.DataFrame, checks: pd.DataFrame) -> np.ndarray:
    utility, customer = homes["recorded_utility"].to_numpy(), homes["recorded_customer"].to_numpy()
    out = ((utility == BLANK) | (customer == BLANK)) & (utility != 0) & (customer != 0)
    out[checks["home"].unique()] = False
    return out


def _parcels(
    lots: gpd.GeoDataFrame, homes: pd.DataFrame, area: pd.DataFrame, key: pd.Index
) -> gpd.GeoDataFrame:
    frame = pd.DataFrame(
        {
            "area_id": area["area_id"].to_numpy()[homes["area"].to_numpy()],
            "year_built": homes["year_built"].to_numpy(),
            "land_use": homes["land_use"].to_numpy(),
            "dwelling_units": homes["dwelling_units"].to_numpy().astype(float),
            "owner_occupied": homes["owner_occupied"].to_numpy(),
            "assessed_value": homes["assessed_value"].to_numpy(),
            "line_diameter_in": homes["line_diameter_in"].to_numpy(),
            "main_year": homes["main_year_known"].to_numpy(),
            "street_segment": [f"S{i + 1:05d}" for i in homes["street_segment"].to_numpy()],
            "address": addresses(
                *(lots[name].to_numpy() for name in ("street", "stretch", "x", "y"))
            ),
        },
        index=key,
    )
    out = gpd.GeoDataFrame(coded(frame), geometry=lots.geometry.to_numpy(), crs=lots.crs)
    return out[["geometry", *frame.columns]]


def _truth(homes: pd.DataFrame, key: pd.Index) -> pd.DataFrame:
    utility, customer = homes["utility_code"].to_numpy(), homes["customer_code"].to_numpy()
    galvanized = (customer == GALVANIZED) | (utility == GALVANIZED)
    out = homes.drop(columns=["year_built", "owner_occupied", "assessed_value", "line_diameter_in"])
    out = out.drop(columns="main_year_known").set_axis(key)
    front = pd.DataFrame(
        {
            "utility_material": materials(utility),
            "customer_material": materials(customer),
            "needs_replacement": homes["is_lead"].to_numpy() | galvanized,
        },
        index=key,
    )
    return pd.concat([front, out], axis=1)


def _sites(homes: pd.DataFrame, key: pd.Index, seed: int) -> pd.DataFrame:
    """Return child care places and schools, about one in 400 and one in 2,500 parcels."""
    rng = stream(seed, "sites")
    n = len(homes)
    lived_in = np.flatnonzero(homes["land_use"].to_numpy() != "vacant")
    wanted = max(round(n / 400), 2), max(round(n / 2500), 1)
    at = rng.choice(lived_in, sum(wanted), replace=False)
    kind = np.repeat(["child_care", "school"], wanted)
    return pd.DataFrame(
        {
            "site_id": [f"P{i + 1:04d}" for i in range(len(at))],
            "parcel_id": key[at],
            "kind": kind,
        }
    )
