"""An invented city with known truth, to try linemap on and to hold it to account.

Alder Falls does not exist. Its streets, homes, pipes, cards, bottles and people are drawn by
chance, with rates from published studies where there are any; it stands on open water.
"""

from synthetic_city.city import InventedCity, look, make_city, oracle, send_kits
from synthetic_city.files import settings_text, write_city
from synthetic_city.knobs import PRESETS, Knobs, preset_knobs

__all__ = [
    "PRESETS",
    "InventedCity",
    "Knobs",
    "look",
    "make_city",
    "oracle",
    "preset_knobs",
    "send_kits",
    "settings_text",
    "write_city",
]
