"""What a fitted city gives reason to doubt, in sentences computed from the fit."""

from __future__ import annotations

from linemap.printing import counted
from linemap.scoring.city_fit import CityFit
from linemap.scoring.sources import Sources

FEW_CHECKS = 30
"""Checks below which error rates of the record stay close to the stated ones; our choice."""

REPEATS = 0.25
"""Share of residents repeating the record beyond which it is worth saying; our choice."""


def doubts(sources: Sources, city: CityFit) -> list[str]:
    """Return sentences on what the model could not learn or did not find plausible.

    Parameters
    ----------
    sources : Sources
    city : CityFit
    """
    out = []
    check, record = sources.check, sources.record
    taught = check.teaches
    if not taught.any():
        out.append(
            "No field check could teach: the level of all probabilities rests on the record and "
            "on stated error rates alone. A random sample of lines would settle it."
        )
    elif taught.sum() < FEW_CHECKS and record.heard.any():
        out.append(
            f"Only {taught.sum():,} checked homes teach, so the error rates of the record stay "
            "close to the stated ones."
        )
    seen = check.called_lead()[taught]
    if taught.any() and seen.min() == seen.max():
        what = "lead" if seen[0] else "without lead"
        out.append(
            f"Every home whose check may teach was {what}: one-sided checks say little of how "
            "common lead is."
        )
    if check.differing:
        out.append(
            f"At {counted(check.differing, 'home')} two looks at the same side differ and no date "
            "says which is the later one: the one nearer to lead holds until somebody looks again."
        )
    if not record.heard.any():
        out.append("There is no city record with a known material; checks alone carry the scores.")
    if sources.answers.heard.any():
        repeat = sources.answers.repeats_record()
        if repeat > REPEATS:
            out.append(
                f"About {100 * repeat:.0f}% of residents seem to repeat the city's record instead "
                "of looking at the pipe: there the two err together, so an answer that agrees "
                "with the record counts for less."
            )
    if not city.joint.fit.converged:
        out.append(
            "Learning stopped at its limit of steps before it had settled: figures may be off a "
            "little."
        )
    return out
