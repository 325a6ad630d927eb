"""Maps: pages for staff with every home, one for the public with areas alone."""

from linemap.outputs.map.public_map import draw_public_map, public_map_html
from linemap.outputs.map.sheets import map_sheets
from linemap.outputs.map.staff import draw_map, map_html

__all__ = ["draw_map", "draw_public_map", "map_html", "map_sheets", "public_map_html"]
