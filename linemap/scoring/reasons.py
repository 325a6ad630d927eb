"""Reasons in words: one sentence for each source, strongest first."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree
from scipy.special import expit

from linemap.scoring.sources import Sources
from linemap.scoring.witnesses import AnswersWitness, CheckWitness, RecordWitness, WaterWitness
from linemap.scoring.witnesses.card_words import PAIRS

NEAR_M = 150.0
IN_WORDS = {"other": "not lead"}
TELLING = 1.5
"""Times as often from which it is said that cards which miss lead often say this; our choice."""

SAID = {
    "lead": "lead",
    "galvanized": "galvanized pipe",
    "copper": "copper",
    "plastic": "plastic",
    "dont_know": "",
}


def all_sentences(
    features: pd.DataFrame, sources: Sources, weights: pd.DataFrame
) -> dict[str, np.ndarray]:
    """Return a sentence by part for every home; empty where a source says nothing."""
    return {
        "prior": say_building(features, weights["weight_prior"].to_numpy()),
        "place": say_place(features, sources.check, weights),
        "record": say_record(sources.record),
        "answers": say_answers(sources.answers),
        "water": say_water(sources.water),
        "check": say_check(sources.check),
    }


def top_reasons(weights: pd.DataFrame, sentences: dict[str, np.ndarray]) -> pd.DataFrame:
    """Return the three strongest reasons of every home.

    Parameters
    ----------
    weights : DataFrame
        Columns ``weight_<source>``.
    sentences : dict of str to ndarray of str
        A sentence by source for every home; empty where the source says nothing.
    """
    names = list(sentences)
    size = np.abs(weights[[f"weight_{name}" for name in names]].to_numpy())
    words = np.column_stack([sentences[name] for name in names])
    size = np.where(words == "", -1.0, size)
    order = np.argsort(-size, axis=1, kind="stable")[:, :3]
    rows = np.arange(len(weights))
    out = pd.DataFrame(index=weights.index)
    for j in range(3):
        chosen = words[rows, order[:, j]]
        said = pd.Series(chosen, index=weights.index, dtype=object)
        out[f"reason_{j + 1}"] = said.where(size[rows, order[:, j]] >= 0, None)
    return out


def by_pattern(table: pd.DataFrame, say: Callable[..., str]) -> np.ndarray:
    """Return a sentence for each row of whole numbers, worded once for each distinct row."""
    key = np.zeros(len(table), dtype=np.int64)
    for name in table.columns:
        values = table[name].to_numpy().astype(np.int64)
        values = values - values.min(initial=0)
        key = key * (int(values.max(initial=0)) + 1) + values
    _, first, code = np.unique(key, return_index=True, return_inverse=True)
    rows = table.iloc[first].itertuples(index=False)
    return np.array([say(*row) for row in rows], dtype=object)[code]


def say_building(features: pd.DataFrame, weight: np.ndarray) -> np.ndarray:
    """Word what building and use suggest."""
    year = features["year_built"].to_numpy(dtype=float)
    near = features["neighbour_year"].to_numpy(dtype=float)
    older = features.get("replaced_home_year", np.nan * features["year_built"])
    table = pd.DataFrame(
        {
            "year": np.nan_to_num(year, nan=-1).astype(int),
            "near": np.where(np.isnan(year), np.nan_to_num(near, nan=-1), -1).astype(int),
            "older": older.fillna(-1).to_numpy(dtype=int),
            "share": np.round(expit(weight) * 100).astype(int),
        }
    )

    def say(year: int, near: int, older: int, share: int) -> str:
        tail = f"{in_percent(share)} of such homes in this city are estimated to have a lead line"
        if year > 0 and older > 0:
            return f"built {year} among homes from about {older}, perhaps on an older line: {tail}"
        if year > 0:
            return f"built {year}: {tail}"
        if near > 0:
            return f"year built not known, neighbours from about {near}: {tail}"
        return f"year built not known: {tail}"

    return by_pattern(table, say)


def in_percent(whole: int) -> str:
    """Return a rounded percentage in words that never claim certainty.

    Examples
    --------
    >>> in_percent(34), in_percent(0), in_percent(100)
    ('about 34%', 'under 1%', 'over 99%')
    """
    return {0: "under 1%", 100: "over 99%"}.get(whole, f"about {whole}%")


def near_checks(features: pd.DataFrame, check: CheckWitness) -> tuple[np.ndarray, np.ndarray]:
    """Return how many other homes within 150 m were checked, and how many of them were lead."""
    place = features[["x", "y"]].to_numpy()
    called = check.called_lead()
    counts = []
    for mask in (check.heard & check.teaches, check.heard & check.teaches & (called == 1)):
        if not mask.any():
            counts.append(np.zeros(len(place), dtype=int))
            continue
        tree = cKDTree(place[mask])
        found = tree.query_ball_point(place, NEAR_M, return_length=True, workers=-1)
        counts.append(np.asarray(found) - mask)
    return counts[0], counts[1]


def say_place(features: pd.DataFrame, check: CheckWitness, weights: pd.DataFrame) -> np.ndarray:
    """Word what the surroundings suggest, and in which direction.

    The lines checked nearby are given as the reason only where they point the same way as all
    evidence around: to more lead, or less, than the building alone suggests.
    """
    seen, lead = near_checks(features, check)
    alone = expit(weights["weight_prior"].to_numpy())
    more = weights["weight_place"].to_numpy() > 0
    agrees = (lead / np.maximum(seen, 1) > alone) == more
    table = pd.DataFrame({"seen": seen, "lead": lead, "more": more, "agrees": agrees})

    def say(seen: int, lead: int, more: bool, agrees: bool) -> str:
        lines, are = ("line", "is") if seen == 1 else ("lines", "are")
        counted = f"{lead} of {seen} {lines} checked within {NEAR_M:.0f} m {are} lead"
        if seen >= 3 and agrees:
            return f"{counted}, {'more' if more else 'fewer'} than the building alone suggests"
        side = "more" if more else "less"
        text = f"evidence around here points to {side} lead than the building alone suggests"
        if not seen:
            return text
        return f"{text} ({counted})" if agrees else f"{text}, though {counted}"

    return by_pattern(table, say)


def say_record(record: RecordWitness) -> np.ndarray:
    """Word what the record says and how far it can be believed."""
    words = record.words_ratio()
    table = pd.DataFrame(
        {
            "pair": record.word,
            "yes": record.says_lead,
            "wrong": np.round(record.wrong_rates() * 100).astype(int),
            "often": np.digitize(words, (1.0 / TELLING, TELLING)),
        }
    )

    def say(pair: int, yes: bool, wrong: int, often: int) -> str:
        utility, customer = (IN_WORDS.get(word, word) for word in PAIRS[pair])
        if not utility and not customer:
            return ""
        if utility == customer:
            what = f"{utility} on both sides"
        elif not customer:
            what = f"{utility} on the utility's side"
        elif not utility:
            what = f"{customer} on the customer's side"
        else:
            what = f"{utility} on the utility's, {customer} on the customer's side"
        of = "lines without lead" if yes else "lead lines"
        text = f"the record says {what}, but records here are wrong for {of} in "
        text += f"{in_percent(wrong)} of cases"
        return (
            text
            + (
                "; records that miss lead seldom name this",
                "",
                "; records that miss lead often name this",
            )[often]
        )

    return by_pattern(table, say)


def say_answers(answers: AnswersWitness) -> np.ndarray:
    """Word what the resident answered."""
    table = pd.DataFrame(answers.code)

    def say(entry: int, replaced: int) -> str:
        parts = []
        if entry >= 0:
            word = SAID[("lead", "galvanized", "copper", "plastic", "dont_know")[entry]]
            parts.append(
                f"the resident sees {word} at the entry"
                if word
                else "the resident cannot tell the pipe at the entry"
            )
        if replaced == 0:
            parts.append("says that the line was replaced")
        elif replaced == 1:
            parts.append("says that the line was not replaced")
        text = " and ".join(parts)
        return text if not text.startswith("says") else f"the resident {text}"

    return by_pattern(table, say)


def say_water(water: WaterWitness) -> np.ndarray:
    """Word the results of a home's bottles; several kits show the highest of each bottle."""
    out = np.full(len(water.heard), "", dtype=object)
    if not len(water.row):
        return out
    kits = water.kits.assign(row=water.row, doubted=water.doubted)
    bottles = []
    for bottle in ("first", "flushed"):
        ends = [f"{bottle}_low", f"{bottle}_high"]
        ordered = kits.sort_values(ends, kind="stable", na_position="first")
        bottles.append(ordered.drop_duplicates("row", keep="last").set_index("row")[ends])
    by_home = kits.groupby("row")
    table = pd.concat(bottles, axis=1).sort_index()
    table = table.assign(n=by_home.size(), doubted=by_home["doubted"].all())

    def shown(low: float, high: float) -> str:
        if np.isnan(high):
            return "no result"
        return f"{high:.3g} ug/L" if low > 0 else f"below {high:.3g} ug/L"

    for row, first_low, first_high, low, high, n, doubted in table.itertuples():
        text = f"{shown(first_low, first_high)} after standing, {shown(low, high)} after running"
        if n > 1:
            text = f"highest of {n} kits: {text}"
        if not first_low > 0 and not low > 0:
            text += ", which cannot rule out lead"
        if doubted:
            text += "; in doubt"
        out[row] = text
    return out


def say_check(check: CheckWitness) -> np.ndarray:
    """Word what somebody saw."""
    table = pd.DataFrame(check.seen, columns=["utility", "customer"])

    def say(utility: int, customer: int) -> str:
        word = {1: "lead", -1: "no lead"}
        seen = [
            f"{word[value]} on the {side} side"
            for value, side in ((utility, "utility's"), (customer, "customer's"))
            if value != 0
        ]
        return "somebody looked and saw " + " and ".join(seen) if seen else ""

    return by_pattern(table, say)
