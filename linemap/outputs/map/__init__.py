"""Maps: one page for staff with every home, one for the public with areas alone."""

from linemap.outputs.map.staff import draw_map, map_html

__all__ = ["draw_map", "map_html"]
