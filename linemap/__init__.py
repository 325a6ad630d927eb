"""Where lead service lines probably are, how sure that is and why, and who gets the next kits."""

from linemap.errors import (
    ArgumentError,
    EvidenceError,
    InputError,
    LimitsError,
    LinemapError,
    Problem,
    RunFolderError,
    SettingsError,
)
from linemap.settings import Settings, load_settings, parse_settings

__all__ = [
    "ArgumentError",
    "EvidenceError",
    "InputError",
    "LimitsError",
    "LinemapError",
    "Problem",
    "RunFolderError",
    "Settings",
    "SettingsError",
    "load_settings",
    "parse_settings",
]
