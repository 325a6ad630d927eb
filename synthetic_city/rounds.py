"""What comes back when homes of the city get kits or are checked in a later round."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from synthetic_city.borders import searched_posterior
from synthetic_city.checks import look_at
from synthetic_city.city import InventedCity
from synthetic_city.codes import coded, keyed
from synthetic_city.draws import Ints
from synthetic_city.kits import mail_kits
from synthetic_city.oracle import Told, learned_posterior, posterior


def send_kits(
    city: InventedCity,
    parcel_ids: Iterable[str],
    *,
    seed: int,
    sent_on: Any,
    stray: float = 0.0,
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Mail kits to homes and return what comes back.

    Whether a kit comes back depends on tenure, income and neighbourhood as in past rounds. The
    bottles share the home's own effect with its earlier kits.

    Parameters
    ----------
    city : InventedCity
    parcel_ids : iterable of str
    seed : int
        Chance of this round; the same seed and day give the same answers.
    sent_on : date-like
    stray : float
        By how much all chances of return of this mailing stray from those of the homes
        [log-odds].

    Returns
    -------
    kits, samples, answers : DataFrame
        Contract columns; every kit sent has a row in ``kits``, with ``received_on`` missing
        where it did not come back.

    Raises
    ------
    KeyError
        If a parcel is not of this city.
    """
    day = np.datetime64(pd.Timestamp(sent_on), "D")
    rows = _rows(city, parcel_ids)
    sent = mail_kits(city.truth, rows, day, knobs=city.knobs, seed=seed, stray=stray)
    return coded(keyed(sent.kits, city.truth.index)), coded(sent.samples), coded(sent.answers)


def look(
    city: InventedCity, parcel_ids: Iterable[str], *, seed: int, why: str, on: Any
) -> pd.DataFrame:
    """Check both sides of homes and return what is seen.

    Parameters
    ----------
    city : InventedCity
    parcel_ids : iterable of str
    seed : int
    why : str
        One of ``synthetic_city.codes.CODES["why"]``.
    on : date-like
        Day of the look.

    Returns
    -------
    DataFrame
        Contract columns of ``checks``; two rows a home.

    Raises
    ------
    KeyError
        If a parcel is not of this city.
    ValueError
        If ``why`` is not one of the codes.
    """
    found = look_at(city.truth, _rows(city, parcel_ids), why, on, knobs=city.knobs, seed=seed)
    return coded(keyed(found, city.truth.index))


def oracle(city: InventedCity) -> pd.Series:
    """Return the oracle's chance of lead from the evidence that ``city`` holds now.

    Use :func:`dataclasses.replace` to add or hide evidence, e.g. the returns of a later round.

    Returns
    -------
    Series
        p_oracle by parcel_id.
    """
    _, after = posterior(_told(city))
    return pd.Series(after, index=city.truth.index, name="p_oracle")


def learned_oracle(city: InventedCity) -> pd.Series:
    """Return the best chance of lead for one who knows all rates but no hidden effect of a main.

    What a main contract laid is learned from the evidence, as any model must; see
    :func:`synthetic_city.oracle.learned_posterior`. Takes about 15 times as long as
    :func:`oracle`.

    Returns
    -------
    Series
        p_learned by parcel_id.
    """
    after = learned_posterior(_told(city))
    return pd.Series(after, index=city.truth.index, name="p_learned")


def searched_oracle(city: InventedCity, *, seed: int = 0) -> pd.Series:
    """Return the best chance of lead for one who knows all rates but nothing hidden of contracts.

    Where one main contract ends and how much lead it laid are learned from the evidence, as any
    model must; see :func:`synthetic_city.borders.searched_posterior`. Takes about a minute for
    20,000 homes.

    Returns
    -------
    Series
        p_searched by parcel_id.
    """
    after = searched_posterior(_told(city), seed=seed)
    return pd.Series(after, index=city.truth.index, name="p_searched")


def _told(city: InventedCity) -> Told:
    rows = pd.Series(np.arange(len(city.truth)), index=city.truth.index)
    return Told(
        homes=city.truth.assign(year_built=city.parcels["year_built"]),
        area=city.area_truth,
        checks=city.checks.assign(home=city.checks["parcel_id"].map(rows)),
        kits=city.kits.assign(home=city.kits["parcel_id"].map(rows)),
        samples=city.samples,
        answers=city.answers,
        knobs=city.knobs,
    )


def _rows(city: InventedCity, parcel_ids: Iterable[str]) -> Ints:
    wanted = pd.Index(list(parcel_ids))
    rows = city.truth.index.get_indexer(wanted)
    if (rows < 0).any():
        raise KeyError(f"not a parcel of {city.name}: {wanted[rows < 0][0]}")
    return rows.astype(np.int64)
