"""What the scores learned of each source, in plain words."""

from __future__ import annotations

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
    where = place.get("kind", "places")
    return [
        "Homes of one place share what is known of it, and places lend it to their neighbours; the "
        f"places are {where} ({count(place.get('units'))} of them).",
        "What age, use and all other evidence leave open is alike among neighbours; that likeness "
        f"fades out over about {place['range_m']:,.0f} m (the distance of the checks, given under "
        "“How the scores were judged”, is of lines of one age and nothing else told). Between "
        "places that differ as usual (one standard deviation) the odds of lead differ "
        f"{2.718281828 ** place['sd']:.1f}-fold.",
        f"The logarithm of all odds by building and place was then moved by {place['shift']:+.2f}, "
        "so that they agree best with evidence that they had not heard.",
    ]


def _record(said: dict[str, Any]) -> list[str]:
    sides = said.get("sides_known", {})
    words = [
        f"{counted(said['homes'], 'home')} have a record that names a material on at least one "
        f"side; {counted(sides.get('both', 0), 'home')} have both sides.",
        f"Of homes without lead, the record names lead at {share(said['false_lead'], 1)}; of homes "
        f"with lead, it names none at {share(said['missed_lead'], 1)}.",
    ]
    ratios = said.get("words", {})
    if any(round(ratio, 1) != 1.0 for ratio in ratios.values()):
        (first, often), *others = ratios.items()
        words.append(
            "Where it names no lead, the material that it names instead counts too: on both sides "
            f"of a missed lead line {first} stands {often:.1f} times as often as on a line without "
            "lead of the same age"
            + "".join(f", {name} {ratio:.1f} times" for name, ratio in others)
            + "."
        )
    eras = {era: rates for era, rates in said.get("by_era", {}).items() if era != "year not known"}
    if eras:
        worst = max(eras, key=lambda era: eras[era]["missed_lead"])
        words.append(
            f"It misses most lead in homes built {worst}: {share(eras[worst]['missed_lead'], 1)}."
        )
    return words


def _answers(said: dict[str, Any]) -> list[str]:
    words = [f"{counted(said['homes'], 'home')} sent an answer that can be used."]
    for question, (what, spoken) in _QUESTIONS.items():
        given = said.get(question)
        if not given:
            continue
        parts = [
            f"“{answer.replace('dont_know', 'don’t know')}” is the answer of "
            f"{share(given[answer][-1])} with lead and {share(given[answer][0])} without"
            for answer in spoken
            if answer in given
        ]
        both = " (on every side that could be told apart)"
        last = both if len(next(iter(given.values()))) > 2 else ""
        words.append(f"Asked {what}, homes with lead{last} and without: {'; '.join(parts)}.")
    if "repeats_record" in said:
        words.append(
            f"Where a record names a pipe, an estimated {share(said['repeats_record'])} of "
            "residents repeat it instead of looking; an answer that agrees counts the less for it."
        )
    return words


def _water(said: dict[str, Any]) -> list[str]:
    words = [
        f"{counted(said['kits'], 'usable kit')} from {counted(said['homes'], 'home')}; "
        f"{counted(said.get('homes_with_repeat_kits', 0), 'home')} sent more than one, which "
        "counts as less than as many homes.",
    ]
    above = said.get("flushed_at_least_band", {})
    edges = said.get("bands_from_ug_l", _BANDS_FROM)
    if above:
        parts = [
            f"at {edge:g} ug/L or more: {share(above['lead'][k])} with a lead line, "
            f"{share(above['not_lead'][k])} without"
            for k, edge in enumerate(edges)
            if edge in _SPOKEN_BANDS
        ]
        words.append(f"Flushed bottle {'; '.join(parts)}.")
    limits = said.get("weight_limits")
    if limits:
        words.append(
            f"However high or low the results, a home's kits move the odds by no more than "
            f"{2.718281828 ** limits[1]:,.0f} times up and {2.718281828 ** -limits[0]:,.0f} times "
            "down. A low result cannot rule out a lead line."
        )
    return words


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
