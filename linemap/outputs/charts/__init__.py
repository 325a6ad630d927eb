"""Charts of a run. Each title states the finding; each docstring says how to read the chart.

Every function takes a plain table and returns a matplotlib figure, also where there is too
little to draw: the title then says so. Colours come from matplotlib's cividis scale, which
reads in grey and to colour-blind eyes; lines, markers and hatching differ in shape as well.
"""

from linemap.outputs.charts.areas import expected_chart, testing_gap_chart
from linemap.outputs.charts.canvas import chart_title, figure_svg
from linemap.outputs.charts.homes import age_chart, pair_chart, weights_chart
from linemap.outputs.charts.judged import (
    FEWEST_JUDGED,
    gain_chart,
    learning_chart,
    reliability_chart,
)
from linemap.outputs.charts.rounds import claimed_chart

__all__ = [
    "FEWEST_JUDGED",
    "age_chart",
    "chart_title",
    "claimed_chart",
    "expected_chart",
    "figure_svg",
    "gain_chart",
    "learning_chart",
    "pair_chart",
    "reliability_chart",
    "testing_gap_chart",
    "weights_chart",
]
