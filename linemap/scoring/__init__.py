"""Fourth stage: how likely is lead at each home, how sure is that, and why.

:class:`LineModel` fits one joint model to everything the city knows; :class:`Evidence` holds the
tables that speak of single homes. Every source is a witness with error rates of its own (folder
``witnesses``), and their weights of evidence add up to the log-odds of each score.
"""

from linemap.scoring.evidence import Evidence
from linemap.scoring.explanation import Explanation
from linemap.scoring.model import LineModel
from linemap.scoring.odds import log_odds, probability, yes_no_weights
from linemap.scoring.shared import SharedCounts

__all__ = [
    "Evidence",
    "Explanation",
    "LineModel",
    "SharedCounts",
    "log_odds",
    "probability",
    "yes_no_weights",
]
