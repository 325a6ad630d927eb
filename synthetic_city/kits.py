"""Sampling kits: who asks, what comes back, and what the form says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from synthetic_city.bottles import draw_batches, fill, log_means, print_results
from synthetic_city.draws import (
    Bools,
    Floats,
    Ints,
    choose,
    level,
    log_odds,
    logistic,
    pick,
    stream,
)
from synthetic_city.knobs import Knobs
from synthetic_city.pipes import IRON, RENEWED, WATER_KIND

TOLD = ("lead", "galvanized", "copper", "plastic", "dont_know")
YES_NO = ("yes", "no", "dont_know")
TAPS = ("kitchen", "bathroom", "other")
DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class Returns:
    """Kits sent, bottles and forms that came back; ``home`` is a row number.

    Attributes
    ----------
    kits, samples, answers : DataFrame
        Contract columns; ``kits`` has ``home`` for the parcel.
    """

    kits: pd.DataFrame
    samples: pd.DataFrame
    answers: pd.DataFrame


def return_chance(homes: pd.DataFrame, asked: Bools, knobs: Knobs, *, stray: float = 0.0) -> Floats:
    """Return the chance that a kit comes back, by tenure, income and whether it was asked for.

    ``stray`` [log-odds] is what this mailing has in common, such as the weather.
    """
    score = np.where(asked, log_odds(knobs.return_asked), log_odds(knobs.return_cold))
    score = score + knobs.return_owner * (homes["owner"].to_numpy() - 0.6)
    score = score + knobs.return_income * homes["income_z"].to_numpy()
    chance = logistic(score + stray + homes["return_effect"].to_numpy())
    return np.where(homes["land_use"].to_numpy() == "vacant", 0.0, chance)


def past_kits(homes: pd.DataFrame, checked: Ints, *, knobs: Knobs, seed: int) -> Returns:
    """Return two years of kits: asked for, mailed unasked in rounds, and repeats.

    Parameters
    ----------
    homes : DataFrame
        Truth of each home: state, solder, home_effect, year, owner, income_z, return_effect,
        land_use, recorded_customer.
    checked : array of int
        Homes where somebody looked; some are mailed a kit, to learn what water shows there.
    """
    rng = stream(seed, "kits")
    n = len(homes)
    first = np.datetime64(knobs.first_day, "D")
    last = np.datetime64(knobs.last_day, "D")
    span = int((last - first) / DAY)
    lived_in = homes["land_use"].to_numpy() != "vacant"
    owner = homes["owner"].to_numpy()
    score = knobs.ask_income * homes["income_z"].to_numpy() + knobs.ask_owner * owner
    score = score + knobs.ask_old * (homes["year"].to_numpy() < 1960)
    asks = (rng.random(n) < level(score, knobs.kits_asked)) & lived_in
    asker = np.flatnonzero(asks)
    asked_on = first + rng.integers(0, span, len(asker)) * DAY
    wanted = (rng.random(n) < knobs.kits_mailed) & (homes["year"].to_numpy() < 1990)
    wanted[checked[rng.random(len(checked)) < knobs.kits_control]] = True
    cold = np.flatnonzero(wanted & ~asks & lived_in)
    mailing = first + np.array(knobs.mailings) * DAY
    cold_on = mailing[rng.integers(0, len(mailing), len(cold))]
    home = np.concatenate([asker, cold])
    requested = np.concatenate([asked_on, np.full(len(cold), np.datetime64("NaT"), "M8[D]")])
    mailed = np.concatenate([asked_on + rng.integers(2, 12, len(asker)) * DAY, cold_on])
    order = np.lexsort((home, mailed))
    one = _send(homes, home[order], requested[order], mailed[order], "K", knobs, rng)
    again = _repeats(one, knobs, rng)
    ask_again = (
        again["received_on"].to_numpy().astype("M8[D]") + rng.integers(20, 120, len(again)) * DAY
    )
    soon = ask_again < last - 20 * DAY
    two = _send(
        homes,
        again["home"].to_numpy()[soon],
        ask_again[soon],
        ask_again[soon] + rng.integers(2, 12, int(soon.sum())) * DAY,
        "L",
        knobs,
        rng,
    )
    parts = zip(
        (one.kits, one.samples, one.answers), (two.kits, two.samples, two.answers), strict=True
    )
    return _until(Returns(*(pd.concat(pair, ignore_index=True) for pair in parts)), last)


def mail_kits(
    homes: pd.DataFrame,
    chosen: Ints,
    sent_on: np.datetime64,
    *,
    knobs: Knobs,
    seed: int,
    stray: float = 0.0,
) -> Returns:
    """Mail a kit, unasked, to each chosen home on one day, and wait until all answers are in."""
    rng = stream(seed, f"round {sent_on}")
    day = np.full(len(chosen), sent_on, "M8[D]")
    unasked = np.full(len(chosen), np.datetime64("NaT"), "M8[D]")
    prefix = f"R{str(sent_on).replace('-', '')}-{seed}-"
    return _send(homes, chosen, unasked, day, prefix, knobs, rng, stray=stray)


def _repeats(sent: Returns, knobs: Knobs, rng: np.random.Generator) -> pd.DataFrame:
    """Return the kits whose homes ask for another one, more often after a high result."""
    lead = sent.samples[sent.samples["analyte"] == "lead"]
    top = lead.groupby("kit_id")["value_ug_l"].max()
    back = sent.kits[sent.kits["received_on"].notna()]
    high = back["kit_id"].map(top).to_numpy() >= 5
    return back[rng.random(len(back)) < np.where(high, knobs.retest_high, knobs.retest_low)]


def _until(sent: Returns, last: np.datetime64) -> Returns:
    """Leave out what was not sent, and blank what was not yet back, on the last day."""
    kits = sent.kits[sent.kits["mailed_on"].to_numpy().astype("M8[D]") <= last].reset_index(
        drop=True
    )
    late = kits["received_on"].to_numpy().astype("M8[D]") > last
    form = [
        *("collected_on", "received_on", "stagnation_h", "flush_min", "tap", "filter_used"),
        *("signed", "bottles_swapped"),
    ]
    for name in form:
        kits[name] = kits[name].mask(late)
    reported = kits["reported_on"]
    kits["reported_on"] = reported.mask(late | (reported.to_numpy().astype("M8[D]") > last))
    there = set(kits.loc[kits["received_on"].notna(), "kit_id"])
    samples = sent.samples[sent.samples["kit_id"].isin(there)].reset_index(drop=True)
    answers = sent.answers[sent.answers["kit_id"].isin(there)].reset_index(drop=True)
    return Returns(kits, samples, answers)


def _send(
    homes: pd.DataFrame,
    home: Ints,
    requested: np.ndarray,
    mailed: np.ndarray,
    prefix: str,
    knobs: Knobs,
    rng: np.random.Generator,
    *,
    stray: float = 0.0,
) -> Returns:
    n = len(home)
    there = homes.iloc[home].reset_index(drop=True)
    back = rng.random(n) < return_chance(there, ~np.isnat(requested), knobs, stray=stray)
    collected = mailed + (2 + np.minimum(rng.gamma(*knobs.fill_days, n), 90).astype(int)) * DAY
    received = collected + rng.integers(1, 8, n) * DAY
    slip = rng.random(n) < knobs.dates_wrong
    written = np.where(slip, received + rng.integers(2, 40, n) * DAY, collected)
    short = rng.random(n) < knobs.stagnation_short
    long = ~short & (rng.random(n) < knobs.stagnation_long)
    stood = np.round(np.clip(rng.normal(*knobs.stagnation, n), 6.0, 14.0) * 2) / 2
    stood = np.where(short, np.round(rng.uniform(0.5, 5.5, n) * 2) / 2, stood)
    stood = np.where(long, np.round(rng.uniform(18.5, 36, n)), stood)
    ran = np.array(knobs.flush_min)[pick(rng, knobs.flush_share, n)]
    filtered = rng.random(n) < knobs.filter_on
    told = np.where(filtered, pick(rng, knobs.filter_told, n), pick(rng, knobs.filter_told_off, n))
    signed = rng.random(n) >= knobs.unsigned
    swapped = rng.random(n) < knobs.bottles_swapped
    noted = rng.random(n) < np.where(swapped, *knobs.swap_noted)
    reported = received + rng.integers(*knobs.report_days, n) * DAY
    kit_id = np.array([f"{prefix}{i + 1:06d}" for i in range(n)], dtype=object)
    nat = np.datetime64("NaT")
    kits = pd.DataFrame(
        {
            "kit_id": kit_id,
            "home": home,
            "requested_on": requested.astype("M8[ns]"),
            "mailed_on": mailed.astype("M8[ns]"),
            "collected_on": np.where(back, written, nat).astype("M8[ns]"),
            "received_on": np.where(back, received, nat).astype("M8[ns]"),
            "stagnation_h": np.where(back & (rng.random(n) > 0.015), stood, np.nan),
            "flush_min": np.where(back & (rng.random(n) > 0.03), ran, np.nan),
            "tap": _written(TAPS, pick(rng, (0.9, 0.08, 0.02), n), back),
            "filter_used": _written(YES_NO, told, back),
            "signed": _written(("no", "yes"), signed.astype(np.int64), back),
            "reported_on": np.where(back, reported, nat).astype("M8[ns]"),
            "bottles_swapped": _written(("no", "yes"), noted.astype(np.int64), back),
        }
    )
    at = np.flatnonzero(back)
    home_back = there.iloc[at].reset_index(drop=True)
    samples = _bottles(
        home_back,
        kit_id[at],
        stood[at],
        ran[at],
        filtered[at],
        swapped[at],
        received[at],
        knobs,
        rng,
    )
    answers = _forms(home_back, kit_id[at], knobs, rng)
    return Returns(kits, samples, answers)


def _written(words: tuple[str, ...], code: Ints, back: Bools) -> pd.Series:
    """Return words of the form, missing where the kit did not come back."""
    return pd.Series(np.array(words, dtype=object)[code]).mask(~back, None)


def _bottles(
    homes: pd.DataFrame,
    kit_id: np.ndarray,
    stood: Floats,
    ran: Floats,
    filtered: Bools,
    swapped: Bools,
    received: np.ndarray,
    knobs: Knobs,
    rng: np.random.Generator,
) -> pd.DataFrame:
    n = len(homes)
    kind = WATER_KIND[homes["state"].to_numpy()]
    effect = homes["home_effect"].to_numpy()
    means = log_means(homes["solder"].to_numpy(), stood, ran, knobs)
    rows = np.arange(n)
    first = fill(means[0][rows, kind], effect, filtered, knobs, rng)
    flushed = fill(means[1][rows, kind], effect, filtered, knobs, rng)
    first, flushed = np.where(swapped, flushed, first), np.where(swapped, first, flushed)
    gone = rng.random(n) < knobs.bottle_missing
    gone_first = rng.random(n) < 0.5
    week, batch = np.unique(received.astype("M8[W]"), return_inverse=True)
    parts = []
    for analyte in ("lead", "copper"):
        prints = draw_batches(len(week), knobs, rng, copper=analyte == "copper")
        for draw, lead, middle in (
            ("first", first, knobs.copper_first),
            ("flushed", flushed, knobs.copper_flushed),
        ):
            there = ~(gone & (gone_first == (draw == "first")))
            copper = middle * np.exp(knobs.copper_sd * rng.standard_normal(n))
            amount = lead if analyte == "lead" else copper
            misprint = knobs.misprint if analyte == "lead" else 0.0
            part = print_results(amount[there], prints.iloc[batch[there]], misprint, rng)
            part.insert(0, "kit_id", kit_id[there])
            part.insert(1, "draw", draw)
            part.insert(2, "analyte", analyte)
            part["order"] = rows[there]
            parts.append(part)
    table = pd.concat(parts, ignore_index=True)
    return table.sort_values("order", kind="stable", ignore_index=True).drop(columns="order")


def entry_chances(customer: Ints, owner: Bools, knobs: Knobs) -> Floats:
    """Return the chances of what a resident says of the pipe at the entry, shape (n, 5)."""
    dont_know = np.where(owner, knobs.dont_know_owner, knobs.dont_know_renter)
    said = np.array(knobs.entry_told)[customer] * (1 - dont_know)[:, None]
    return np.column_stack([said, dont_know])


def _forms(
    homes: pd.DataFrame, kit_id: np.ndarray, knobs: Knobs, rng: np.random.Generator
) -> pd.DataFrame:
    n = len(homes)
    customer = homes["customer_code"].to_numpy()
    owner = homes["owner"].to_numpy()
    entry = choose(rng, entry_chances(customer, owner, knobs))
    card = homes["recorded_customer"].to_numpy()
    repeats = (rng.random(n) < knobs.answer_repeats_record) & (card < IRON)
    entry = np.where(repeats, card, entry)
    renewed = RENEWED[homes["state"].to_numpy()]
    replaced = np.where(
        renewed, pick(rng, knobs.renewed_told, n), pick(rng, knobs.renewed_told_not, n)
    )
    solder = homes["solder"].to_numpy()
    unsure = rng.random(n) < knobs.inside_dont_know
    inside_said = np.where(unsure, 4, choose(rng, np.array(knobs.inside_told)[solder]))
    year = homes["year"].to_numpy()
    told_year = np.where(
        rng.random(n) < 0.5, year, year + np.round(knobs.built_error * rng.standard_normal(n))
    )
    told_year = np.where(
        rng.random(n) < knobs.built_rounded, np.round(told_year / 10) * 10, told_year
    )
    form = rng.random(n) >= knobs.form_missing
    table = pd.DataFrame(
        {
            "kit_id": kit_id,
            "entry_pipe": np.array(TOLD)[entry],
            "line_replaced": np.array(YES_NO)[replaced],
            "inside_pipe": np.array(TOLD)[inside_said],
            "built_said": np.where(
                rng.random(n) < knobs.built_not_said, np.nan, np.clip(told_year, 1850, 2026)
            ),
        }
    )
    return table[form].reset_index(drop=True)
