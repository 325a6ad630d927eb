"""The table of the benchmark of rounds: what each policy found, and how the forecasts held."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

Cities = dict[str, list[dict[str, Any]]]


def print_table(cities: Cities) -> None:
    """Print the figures of all presets, preset by preset and together."""
    every = [city for part in cities.values() for city in part]
    for name, part in [*cities.items(), ("all presets", every)]:
        if len(cities) == 1 and name == "all presets":
            continue
        print(f"\n{name}: {len(part)} cities, {_seconds(part):.0f} s a city")
        print(policy_table(part).to_string())
    print("\nfinds under each limit alone, scores held fixed, all presets")
    print(alone_table(every).to_string())
    print("\nlinemap, round by round, all presets")
    print(round_table(every).to_string())
    print()
    for sentence in promises(every):
        print(sentence)


def policy_table(cities: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Return one row per policy: finds, their spread over cities, ratios and equity."""
    rows = {}
    for policy in cities[0]["plays"]:
        plays = [_rounds(city, policy) for city in cities]
        total = np.array([sum(r["found"] for r in play) for play in plays], dtype=float)
        mean = np.array([sum(r["mean_found"] for r in play) for play in plays])
        flat = [r for play in plays for r in play]
        rows[policy] = {
            "found": total.mean(),
            "sd": total.std(ddof=1) if len(total) > 1 else np.nan,
            "a round": total.mean() / len(plays[0]),
            "mean found": mean.mean(),
            **{
                f"{group} kits/lead": np.mean([r[f"{group}_kits"] for r in flat])
                / np.mean([r[f"{group}_lead"] for r in flat])
                for group in ("poor", "renters")
            },
            "fit s": np.mean([r["fit_s"] for r in flat[1:]]),
            "choose s": np.mean([r["choose_s"] for r in flat]),
        }
    table = pd.DataFrame(rows).T
    for other in ("random", "oldest first", "no limits", "best from evidence", "all-knowing"):
        if other in table.index:
            table[f"/ {other}"] = table["mean found"] / table.loc[other, "mean found"]
    return table.round(2)


def alone_table(cities: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Return what each limit alone costs of the finds without limits, and its standard error."""
    cities = [city for city in cities if city["alone"]]
    rows = {}
    for name in cities[0]["alone"] if cities else ():
        found, bare = (
            np.array([city["alone"][key]["mean_found"] for city in cities])
            for key in (name, "nothing")
        )
        poor = [sum(c["alone"][name][f"poor_{part}"] for c in cities) for part in ("kits", "lead")]
        rows[name] = {
            "cost": 1 - found.sum() / bare.sum(),
            "se": (found / bare).std(ddof=1) / np.sqrt(len(cities)),
            "poor kits/lead": poor[0] / poor[1],
        }
    return pd.DataFrame(rows).T.round(4)


def round_table(cities: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Return finds of linemap and others by round, and how well the scores fit before each."""
    count = len(_rounds(cities[0], "linemap"))
    rows = []
    for number in range(count + 1):
        row: dict[str, float] = {"round": number + 1}
        for policy in cities[0]["plays"]:
            if number < count:
                row[policy] = np.mean([_rounds(c, policy)[number]["found"] for c in cities])
        for name in ("bias", "error", "perfect_error"):
            row[name] = np.mean([c["plays"]["linemap"][number][name] for c in cities])
        rows.append(row)
    return pd.DataFrame(rows).set_index("round").round(3)


def promises(cities: Sequence[dict[str, Any]]) -> list[str]:
    """Say how often forecasts and estimates held."""
    rounds = [r for city in cities for r in _rounds(city, "linemap")]
    draws = [draw for city in cities for draw in city["audits"]]
    words = []
    for name, what in (("found", "lead lines found"), ("returned", "usable kits")):
        claimed = sum(r[f"{name}_claimed"] for r in rounds)
        seen = sum(r[f"{name}_seen"] for r in rounds)
        z = [
            (r[f"{name}_seen"] - r[f"{name}_claimed"]) / (r[f"{name}_width"] / 3.92) for r in rounds
        ]
        words.append(
            f"Forecast of {what}: inside its 95 % interval in "
            f"{np.mean([r[f'{name}_inside'] for r in rounds]):.1%} of {len(rounds)} rounds; "
            f"claimed {claimed:.0f}, seen {seen}; misses have a mean of {np.mean(z):+.2f} and a "
            f"spread of {np.std(z):.2f} standard deviations."
        )
    for name, some in (("rounds", rounds), ("first lists drawn again", draws)):
        told = [d for d in some if not np.isnan(d["estimate"])]
        bias = np.mean([d["estimate"] - d["lead_lines"] for d in told])
        words.append(
            f"Lead lines estimated from the log alone: truth inside the 95 % interval in "
            f"{np.mean([d['estimate_inside'] for d in told]):.1%} of {len(told)} {name} with an "
            f"answer of a random home ({len(some) - len(told)} without, of which nothing is said); "
            f"width {np.mean([d['estimate_width'] for d in told]):.0f}, mean error {bias:+.1f} of "
            f"{np.mean([d['lead_lines'] for d in told]):.0f}, estimates below 0 taken as 0."
        )
    words.append(f"Largest gap to the linear bound: {max(r['gap'] for r in rounds):.2%}.")
    return words


def _rounds(city: dict[str, Any], policy: str) -> list[dict[str, Any]]:
    """Return the rounds of a policy, without the look at the scores after the last."""
    return [r for r in city["plays"][policy] if "found" in r]


def _seconds(cities: Sequence[dict[str, Any]]) -> float:
    return float(np.mean([city["seconds"] for city in cities]))
