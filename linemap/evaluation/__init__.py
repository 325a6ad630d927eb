"""How right are we: scores held against findings that were hidden from them.

:func:`evaluate` judges under random folds, spatial blocks, distance-matched folds, forward
in time and on random checks alone, beside simpler ways and with block-bootstrap intervals.
It knows nothing of how scores are made: it asks for a refit with checks hidden.
"""

from linemap.evaluation.calibration import Calibration, choose_calibration, perfect_ece
from linemap.evaluation.cautions import Caution
from linemap.evaluation.headline import Headline
from linemap.evaluation.intervals import finite_population_interval, share_interval
from linemap.evaluation.judgement import PROTOCOLS, QUICK, evaluate
from linemap.evaluation.labels import check_labels, record_labels
from linemap.evaluation.overlap import Overlap
from linemap.evaluation.prevalence import remaining_lead
from linemap.evaluation.result import Evaluation
from linemap.evaluation.sample import judging_sample
from linemap.evaluation.space import SpatialRange, spatial_range

__all__ = [
    "PROTOCOLS",
    "QUICK",
    "Calibration",
    "Caution",
    "Evaluation",
    "Headline",
    "Overlap",
    "SpatialRange",
    "check_labels",
    "choose_calibration",
    "evaluate",
    "finite_population_interval",
    "judging_sample",
    "perfect_ece",
    "record_labels",
    "remaining_lead",
    "share_interval",
    "spatial_range",
]
