"""An invented city with known truth, to try linemap on and to hold it to account.

Alder Falls does not exist. Its streets, homes, pipes, cards, bottles and people are drawn by
chance, with rates from published studies where there are any; it stands on open water.
"""

from synthetic_city.city import InventedCity, make_city
from synthetic_city.figures import figures
from synthetic_city.files import settings_text, write_city
from synthetic_city.knobs import PRESETS, Knobs, preset_knobs
from synthetic_city.rounds import learned_oracle, look, oracle, searched_oracle, send_kits

__all__ = [
    "PRESETS",
    "InventedCity",
    "Knobs",
    "figures",
    "learned_oracle",
    "look",
    "make_city",
    "oracle",
    "preset_knobs",
    "searched_oracle",
    "send_kits",
    "settings_text",
    "write_city",
]
