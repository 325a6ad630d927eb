"""Buildings: year, use, size, value, owner, and the main in the street.

What the assessor reports is drawn apart from what is true: years are missing or rounded,
owners not known, diameters not on file.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from synthetic_city.draws import Bools, Floats, Ints, choose, stream
from synthetic_city.knobs import Knobs

USES = ("single_family", "two_family", "multi_family", "commercial", "vacant")
LAST_YEAR = 2025
FIRST_YEAR = 1870


def put_up_buildings(
    homes: gpd.GeoDataFrame, area: pd.DataFrame, area_of: Ints, *, knobs: Knobs, seed: int
) -> pd.DataFrame:
    """Build on every lot.

    Parameters
    ----------
    homes : GeoDataFrame
        Lots, see :func:`synthetic_city.lots.cut_lots`.
    area : DataFrame
        Areas with ``income_z`` and ``renter_share``.
    area_of : array of int
        Row of ``area`` for each lot.

    Returns
    -------
    DataFrame
        True columns: year, line_year, land_use, dwelling_units, owner (bool), big (line of two
        inches and more), main_year, main_renewed (bool), solder (0-3, era of the plumbing).
        Reported columns: year_built, owner_occupied, assessed_value, line_diameter_in,
        main_year_known (NaN where missing).
    """
    rng = stream(seed, "buildings")
    n = len(homes)
    wave = homes["wave_year"].to_numpy()
    year, line_year = _years(wave, knobs, rng)
    income_z = area["income_z"].to_numpy()[area_of]
    use = _uses(homes["out"].to_numpy(), income_z, knobs, rng)
    units = np.select(
        [use == 0, use == 1, use == 2],
        [1, 2, 3 + np.minimum(rng.geometric(knobs.units_stop, n) - 1, 60)],
        0,
    )
    owner = rng.random(n) < np.select(
        [use == 0, use == 1],
        [
            1 - knobs.owner_single * area["renter_share"].to_numpy()[area_of],
            knobs.owner_two_family,
        ],
        knobs.owner_other,
    )
    big = (units >= knobs.big_units) | ((use == 3) & (rng.random(n) < knobs.big_commercial))
    main_year, main_renewed = _mains(homes, line_year, knobs, rng)
    value = knobs.value_middle * np.exp(0.4 * income_z + 0.25 * rng.standard_normal(n))
    value *= (homes["lot_m2"].to_numpy() / 500) ** 0.35 * (1 + 0.5 * np.maximum(units - 1, 0))
    value *= np.exp(0.004 * (year - 1950))
    small = np.where(line_year < 1960, 0.625, 0.75)
    diameter = np.where(big, rng.choice([2.0, 3.0, 4.0, 6.0], n, p=[0.55, 0.15, 0.2, 0.1]), small)
    diameter = np.where(~big & (rng.random(n) < 0.25), 1.0, diameter)
    gone = rng.random((4, n))
    return pd.DataFrame(
        {
            "year": year,
            "line_year": line_year,
            "land_use": np.array(USES, dtype=object)[use],
            "dwelling_units": units,
            "owner": owner,
            "big": big,
            "main_year": main_year,
            "main_renewed": main_renewed,
            "solder": solder_era(year),
            "year_built": _reported_years(year, knobs, rng),
            "owner_occupied": np.array(["no", "yes", "unknown"], dtype=object)[
                np.where(gone[0] < knobs.owner_missing, 2, owner)
            ],
            "assessed_value": np.where(gone[1] < knobs.value_missing, np.nan, np.round(value, -2)),
            "line_diameter_in": np.where(gone[2] < knobs.diameter_missing, np.nan, diameter),
            "main_year_known": np.where(gone[3] < knobs.main_year_missing, np.nan, main_year),
        }
    )


def solder_era(year: Ints) -> Ints:
    """Return the era of the plumbing: before 1930, to 1981, 1982 to 1987, from 1988."""
    return np.searchsorted([1930, 1982, 1988], year, side="right").astype(np.int64)


def year_spread(wave: Floats, knobs: Knobs) -> Floats:
    """Return the sd [year] of building years about the tract's year."""
    war = (wave >= 1940.5) & (wave <= 1945.5)
    return np.where(war, knobs.year_spread_war, knobs.year_spread)


def _years(wave: Floats, knobs: Knobs, rng: np.random.Generator) -> tuple[Ints, Ints]:
    """Return true building year and year of the line."""
    n = len(wave)
    year = wave + year_spread(wave, knobs) * rng.standard_normal(n)
    infill = (rng.random(n) < knobs.infill_share) & (wave < 1990)
    later = wave + 8 + rng.random(n) * (LAST_YEAR - wave - 8)
    reused = infill & (rng.random(n) < knobs.infill_reuses_line)
    year = np.clip(np.round(np.where(infill, later, year)), FIRST_YEAR, LAST_YEAR)
    line_year = np.where(reused, np.round(wave), year)
    return year.astype(np.int64), line_year.astype(np.int64)


def rounding_chances(year: Ints, knobs: Knobs) -> tuple[Floats, Floats]:
    """Return the chances that a year is reported to 5 and to 10 years."""
    share = np.where(year < 1940, knobs.year_rounded_old, knobs.year_rounded_new)
    return share * 0.4, share * 0.6


def nearest(year: Ints, step: int) -> Ints:
    """Return years rounded half up to ``step`` years."""
    out: Ints = ((year + step // 2) // step) * step
    return out


def _reported_years(year: Ints, knobs: Knobs, rng: np.random.Generator) -> Floats:
    to_five, to_ten = rounding_chances(year, knobs)
    at = rng.random(len(year))
    told = np.where(at < to_ten, nearest(year, 10), year)
    told = np.where((at >= to_ten) & (at < to_ten + to_five), nearest(year, 5), told)
    return np.where(rng.random(len(year)) < knobs.year_missing, np.nan, told)


def _uses(out: Floats, income_z: Floats, knobs: Knobs, rng: np.random.Generator) -> Ints:
    """Return the use of each lot: denser and more mixed in the middle of the city."""
    core = np.clip(1 - out, 0, 1)[:, None]
    chances = core * np.array(knobs.uses_core) + (1 - core) * np.array(knobs.uses_edge)
    vacant = USES.index("vacant")
    chances[:, vacant] = np.clip(chances[:, vacant] + knobs.vacant_income * income_z, 0.004, 0.06)
    return choose(rng, chances)


def _mains(
    homes: gpd.GeoDataFrame, line_year: Ints, knobs: Knobs, rng: np.random.Generator
) -> tuple[Ints, Bools]:
    """Return the year of the main in each street, and whether it was laid anew since."""
    code, _ = pd.factorize(homes["street"].to_numpy() * 100_000 + homes["stretch"].to_numpy())
    n = code.max() + 1
    laid = np.full(n, np.inf)
    np.minimum.at(laid, code, line_year)
    laid -= rng.integers(0, 3, n)
    anew = (laid < 1955) & (rng.random(n) < knobs.main_renewed)
    again = np.clip(rng.integers(1958, 2020, n), laid + 30, LAST_YEAR)
    main = np.where(anew, again, laid)[code].astype(np.int64)
    return main, anew[code] & (main > line_year + 15)
