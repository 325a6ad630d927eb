"""Witnesses: each source of evidence with the error rates at which it speaks.

Every witness has the same three methods. ``learn(soft)`` takes the posterior of each state of
each home, shape (n_homes, n_states), and learns how the source errs. ``weights(rng=None)``
returns the log-likelihood ratio of each state against "none", same shape, first column zero;
with a generator the error rates are drawn from their posterior instead of taken at their mean.
``describe()`` says in numbers what was learned. A new source is one more file here.
"""

from linemap.scoring.witnesses.answers import NO_WORD, PIPE_WORDS, AnswersWitness
from linemap.scoring.witnesses.check import CheckWitness
from linemap.scoring.witnesses.code_table import Witness
from linemap.scoring.witnesses.record import RecordWitness
from linemap.scoring.witnesses.water import WaterWitness

__all__ = [
    "NO_WORD",
    "PIPE_WORDS",
    "AnswersWitness",
    "CheckWitness",
    "RecordWitness",
    "WaterWitness",
    "Witness",
]
