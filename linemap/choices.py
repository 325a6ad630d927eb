"""Values that the options of the commands take."""

from __future__ import annotations

from enum import StrEnum


class Edition(StrEnum):
    """Editions of the lead and copper rule."""

    LCR = "LCR"
    LCRR = "LCRR"
    LCRI = "LCRI"


class Kind(StrEnum):
    """Kinds of invented city."""

    good_records = "good_records"
    poor_records = "poor_records"
    corrosion_control = "corrosion_control"


class Aim(StrEnum):
    """What a ranking of areas is for."""

    most_lead = "most_lead"
    most_need = "most_need"
    least_tested = "least_tested"


class Engine(StrEnum):
    """Where several cities are worked on."""

    here = "here"
    dask = "dask"
