"""Third stage: what is known of every parcel before anybody looks at its line.

:func:`build_features` turns parcels into a plain table of building age, use, size and place;
:func:`build_graph` says which parcels stand on the same stretch of street and which stretches
are neighbours. Nothing here knows what a line is made of, so nothing here can leak a label.
"""

from linemap.features.buildings import build_features, said_of_people
from linemap.features.graph import PlaceGraph, build_graph
from linemap.features.neighbours import TILE_HOMES, Spread

__all__ = ["TILE_HOMES", "PlaceGraph", "Spread", "build_features", "build_graph", "said_of_people"]
