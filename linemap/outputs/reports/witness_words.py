"""What the scores learned of each source, in plain words."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from linemap.outputs.reports.numbers import count, share
from linemap.printing import counted

SOURCE_NAMES = {
    "record": "City record",
    "answers": "Residents' answers",
    "water": "The two bottles",
    "check": "Field checks",
}

_QUESTIONS = {
    "entry_pipe": ("what the pipe at the entry is", ("lead", "copper", "dont_know")),
    "line_replaced": ("whether the line was replaced", ("yes", "no", "dont_know")),
}
_BANDS_FROM = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0)
"""Lower edges of the bands of concentration [ug/L] where the model does not give them."""

_SPOKEN_BANDS = (1.0, 4.0, 8.0)
_WHY = {
    "random": "drawn at random",
    "audit_arm": "for the random arm of a list",
    "listed": "because a list of kits named the home",
    "main_work": "along main work",
    "request": "on request",
    "suspected": "because lead was suspected",
    "unknown": "for a reason not known",
}


def source_names(model: dict[str, Any]) -> list[str]:
    """Return the sources of the scores as a reader knows them."""
    return [SOURCE_NAMES.get(name, name) for name in model.get("sources", [])]


def witness_words(model: dict[str, Any], *, distances: bool = True) -> list[tuple[str, list[str]]]:
    """Return what was learned of each source, as name and sentences.

    Parameters
    ----------
    model : dict
        What the scoring model says of itself.
    distances : bool
        Whether to give the range over which homes are alike and how the odds were moved; a
        planner can do without them.

    Returns
    -------
    list of (str, list of str)
    """
    said: dict[str, Any] = model.get("witnesses", {})
    speak = {"record": _record, "answers": _answers, "water": _water, "check": _check}
    words = [(SOURCE_NAMES[name], speak[name](said[name])) for name in speak if said.get(name)]
    if model.get("place"):
        words.insert(0, ("Place", _place(model["place"])[: None if distances else 1]))
    if model.get("needs_replacement"):
        words.append(("Lines to replace", [_to_replace(**model["needs_replacement"])]))
    return words


def _to_replace(expected: float, low: float, high: float) -> str:
    return (
        f"{expected:,.0f} lines are expected to need replacement ({low:,.0f} to {high:,.0f}, 90% "
        "interval): lead, or galvanized pipe that is or may have been below lead. The chance of "
        "each line stands beside its chance of lead in the table of scores; kits go by lead "
        "alone, since they cannot tell the rest."
    )


def _place(place: dict[str, Any]) -> list[str]:
    where, ends = place.get("kind", "places"), place.get("interval", {})
    reach, fold = f"{place['range_m']:,.0f} m", f"{math.exp(place['sd']):.1f}-fold"
    if ends:
        near, far = ends["range_m"]
        less, more = (f"{math.exp(sd):.1f}" for sd in ends["sd"])
        reach += f" (90% interval: {near:,.0f} to {far:,.0f} m)"
        fold += f" ({less} to {more})"
    return [
        "Homes of one place share what is known of it, and places lend it to their neighbours; the "
        f"places are {where} ({count(place.get('units'))} of them).",
        "What age, use and all other evidence leave open is alike among neighbours; that likeness "
        f"fades out over about {reach}. The distance of the checks, given under “How the scores "
        "were judged”, is another: of lines of one age and nothing else told. Between places that "
        f"differ as usual (one standard deviation) the odds of lead differ {fold}.",
        f"The logarithm of all odds by building and place was then moved by {place['shift']:+.2f}, "
        "so that they agree best with evidence that they had not heard.",
    ]


def _record(said: dict[str, Any]) -> list[str]:
    sides = said.get("sides_known", {})
    words = [
        f"{counted(said['homes'], 'home')} have a record that names a material on at least one "
        f"side; {counted(sides.get('both', 0), 'home')} have both sides.",
        f"Of homes without lead, the record names lead at {_rate(said, 'false_lead')}; of homes "
        f"with lead, it names none at {_rate(said, 'missed_lead')}.",
    ]
    ratios = said.get("words", {})
    if any(round(ratio, 1) != 1.0 for ratio in ratios.values()):
        (first, often), *others = (
            (name, f"{ratio:.1f} times{_range(said, 'words', name, form='{:.1f}'.format)}")
            for name, ratio in ratios.items()
        )
        words.append(
            "Where it names no lead, the material that it names instead counts too: on both sides "
            f"of a missed lead line {first} stands {often} as often as on a line without lead of "
            "the same age" + "".join(f", {name} {times}" for name, times in others) + "."
        )
    eras = {era: rates for era, rates in said.get("by_era", {}).items() if era != "year not known"}
    if eras:
        worst = max(eras, key=lambda era: eras[era]["missed_lead"])
        words.append(
            f"It misses most lead in homes built {worst}: "
            f"{_rate(said, 'by_era', worst, 'missed_lead')}."
        )
    return words + _explain_ranges(said)


def _answers(said: dict[str, Any]) -> list[str]:
    words = [f"{counted(said['homes'], 'home')} sent an answer that can be used."]
    for question, (what, spoken) in _QUESTIONS.items():
        given = said.get(question)
        if not given:
            continue
        parts = [
            f"“{answer.replace('dont_know', 'don’t know')}” is the answer of "
            f"{_rate(said, question, answer, -1, digits=0)} with lead and "
            f"{_rate(said, question, answer, 0, digits=0)} without"
            for answer in spoken
            if answer in given
        ]
        both = " (on every side that could be told apart)"
        last = both if len(next(iter(given.values()))) > 2 else ""
        words.append(f"Asked {what}, homes with lead{last} and without: {'; '.join(parts)}.")
    if "repeats_record" in said:
        words.append(
            "Where a record names a pipe, an estimated "
            f"{_rate(said, 'repeats_record', digits=0)} of residents repeat it instead of "
            "looking; an answer that agrees counts the less for it."
        )
    return words + _explain_ranges(said)


def _water(said: dict[str, Any]) -> list[str]:
    words = [
        f"{counted(said['kits'], 'usable kit')} from {counted(said['homes'], 'home')}; "
        f"{counted(said.get('homes_with_repeat_kits', 0), 'home')} sent more than one, which "
        "counts as less than as many homes.",
    ]
    if said.get("doubted_kits"):
        words.append(
            f"In doubt: {counted(said['doubted_kits'], 'kit')}. At a lead line an estimated "
            f"{_rate(said, 'doubted_that_miss_lead', digits=0)} of such kits miss the line's "
            "water and read as if there were no lead, so their low results count the less."
        )
    edges = said.get("bands_from_ug_l", _BANDS_FROM)
    if "flushed_at_least_band" in said:
        lead, other = (("flushed_at_least_band", name) for name in ("lead", "not_lead"))
        parts = [
            f"at {edge:g} ug/L or more: {_rate(said, *lead, k, digits=0)} with a lead line, "
            f"{_rate(said, *other, k, digits=0)} without"
            for k, edge in enumerate(edges)
            if edge in _SPOKEN_BANDS
        ]
        words.append(f"Flushed bottle {'; '.join(parts)}.")
    limits = said.get("weight_limits")
    if limits:
        words.append(
            f"However high or low the results, a home's kits move the odds by no more than "
            f"{math.exp(limits[1]):,.0f} times up and {math.exp(-limits[0]):,.0f} times "
            "down. A low result cannot rule out a lead line."
        )
    return words + _explain_ranges(said)


def _rate(said: dict[str, Any], *path: str | int, digits: int = 1) -> str:
    """Return a share of what was learned, with its interval where there is one."""

    def form(value: float) -> str:
        return share(value, digits)

    return form(_found(said, path)) + _range(said, *path, form=form)


def _range(said: dict[str, Any], *path: str | int, form: Callable[[float], str]) -> str:
    """Return the interval of a number in brackets, or nothing."""
    ends = [_found(said.get("interval", {}).get(end, {}), path) for end in ("low", "high")]
    return "" if None in ends else f" ({form(ends[0])} to {form(ends[1])})"


def _found(said: Any, path: tuple[str | int, ...]) -> Any:
    """Return what stands at the end of a path of keys, or None."""
    for key in path:
        if isinstance(said, dict) and key not in said:
            return None
        said = said[key]
    return said


def _explain_ranges(said: dict[str, Any]) -> list[str]:
    return ["In brackets: 90% intervals."] if said.get("interval") else []


def _check(said: dict[str, Any]) -> list[str]:
    why = said.get("why", {})
    reasons = ", ".join(
        f"{n:,} {_WHY.get(reason, reason)}"
        for reason, n in sorted(why.items(), key=lambda item: -item[1])
        if n
    )
    return [
        f"{counted(said['homes'], 'home')} were looked at" + (f": {reasons}." if reasons else "."),
        f"{count(said.get('used_to_learn', 0))} of these homes may teach the scores; checks "
        "made on suspicion speak for their own home only.",
        f"A check is held to be wrong in {share(said['error'], 1)} of cases.",
    ]
