"""What may be asked of a model, checked before anything is fitted."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.errors import ArgumentError

NAMES = {
    "target": ("lead", "galvanized", "needs_replacement"),
    "prior": ("spline", "trees", "both"),
}
LEAST = {"rounds": 1, "folds": 2, "draws": 2}


def refuse_wrong_options(options: dict[str, Any]) -> None:
    """Refuse options that mean nothing, all at once.

    Parameters
    ----------
    options : dict of str to object
        Of :class:`linemap.scoring.LineModel`.

    Raises
    ------
    ArgumentError
        Naming each wrong option and what it may be.
    """
    wrong = [
        f"{name} must be one of {', '.join(names)}, not {options[name]!r}"
        for name, names in NAMES.items()
        if options[name] not in names
    ]
    wrong += [
        f"{name} must be a whole number from {least} up, not {options[name]!r}"
        for name, least in LEAST.items()
        if not isinstance(options[name], int) or options[name] < least
    ]
    if not options["block_m"] > 0:
        wrong.append(f"block_m must be a positive number of metres, not {options['block_m']!r}")
    if wrong:
        raise ArgumentError(f"{'; '.join(wrong)}.")


def refuse_other_homes(features: pd.DataFrame, in_graph: int) -> None:
    """Refuse features that are not one row for each home of the graph.

    Raises
    ------
    ArgumentError
        Saying how many each has, or that homes repeat.
    """
    if len(features) != in_graph:
        raise ArgumentError(f"features have {len(features)} parcels, the graph has {in_graph}.")
    if not features.index.is_unique:
        raise ArgumentError("features must have one row for each parcel_id.")
