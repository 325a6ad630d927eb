"""Colours and words of the legends: perceptual scales, darker is more."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.colors import to_hex

HOME_STEPS = 20
"""Colour steps of a home's probability, each five points wide."""

HOME_BANDS = (
    (0, 20, "less likely, not ruled out"),
    (20, 40, "possible"),
    (40, 60, "about as likely as not"),
    (60, 80, "likely"),
    (80, 100, "very likely"),
)
"""Bands of probability [%] in words; the lowest never says that a home is clear."""


def home_colours() -> list[str]:
    """Return the colours of a home's probability, low to high.

    Returns
    -------
    list of str, length ``HOME_STEPS``
        Of matplotlib's magma, whose lightness falls evenly: it survives grey printing and
        colour-blind eyes.
    """
    return _colours("magma", 0.96, 0.22, HOME_STEPS)


def group_colours(steps: int = 5) -> list[str]:
    """Return the colours of areas and hexagons, low to high, of matplotlib's cividis."""
    return _colours("cividis", 0.97, 0.12, steps)


def _colours(name: str, low: float, high: float, steps: int) -> list[str]:
    scale = matplotlib.colormaps[name]
    return [to_hex(scale(x)) for x in np.linspace(low, high, steps)]
