"""Stage 7: the map, the report and the lists, in a staff and a public edition.

Map and report libraries are imported only here. Nothing about a single home, its people or its
results enters a file of the public edition.
"""

from linemap.outputs.cities import write_cities
from linemap.outputs.database import reach_database, write_database
from linemap.outputs.findings import Findings
from linemap.outputs.folder import write_evaluation, write_kit_files, write_outputs
from linemap.outputs.lists import defuse_formulas, write_csv
from linemap.outputs.map import draw_map, draw_public_map, map_html
from linemap.outputs.maps import map_files, write_pages
from linemap.outputs.public import suppress_small_counts
from linemap.outputs.shown import show_table

__all__ = [
    "Findings",
    "defuse_formulas",
    "draw_map",
    "draw_public_map",
    "map_files",
    "map_html",
    "reach_database",
    "show_table",
    "suppress_small_counts",
    "write_cities",
    "write_csv",
    "write_database",
    "write_evaluation",
    "write_kit_files",
    "write_outputs",
    "write_pages",
]
