"""The resident's form: what the pipe at the entry looks like, whether the line was replaced."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from linemap.published import fact
from linemap.scoring.evidence import Homes
from linemap.scoring.witnesses.code_table import shares, shrunk_counts, soft_counts

QUESTIONS = {
    "entry_pipe": ("lead", "galvanized", "copper", "plastic", "dont_know"),
    "line_replaced": ("yes", "no", "dont_know"),
}


class AnswersWitness:
    """What residents answer in each state; "don't know" is an answer like the others.

    Of several forms of one home the last row counts, since one household is one witness.
    """

    name = "answers"
    learned: tuple[str, ...] = ("parameters",)

    def __init__(self, answers: pd.DataFrame, homes: Homes, states: np.ndarray) -> None:
        self.states = states
        row = homes.rows(answers["parcel_id"])
        n = len(homes.index)
        self.code: dict[str, np.ndarray] = {}
        self.parameters: dict[str, np.ndarray] = {}
        self.default: dict[str, np.ndarray] = {}
        self.heard = np.zeros(n, dtype=bool)
        self.strength = float(fact("scoring.answers.strength").value)
        for question, words in QUESTIONS.items():
            code = np.full(n, -1)
            said = pd.Categorical(answers[question], categories=list(words)).codes
            use = (row >= 0) & (said >= 0)
            code[row[use]] = said[use]
            self.code[question] = code
            self.heard |= code >= 0
            stated = fact(f"scoring.answers.{question}").value
            self.default[question] = np.array(
                [stated["lead"] if customer else stated["not_lead"] for _, customer in states]
            )
            self.parameters[question] = self.strength * self.default[question]

    def learn(self, soft: np.ndarray, before: np.ndarray) -> None:
        """Learn how often each answer is given in each state."""
        for question, words in QUESTIONS.items():
            code = self.code[question]
            said = code >= 0
            counts = soft_counts(code[said], soft[said], len(words))[0]
            self.parameters[question] = shrunk_counts(counts, self.default[question], self.strength)

    def weights(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return log-likelihood ratios of each state against none, (n_homes, n_states)."""
        out = np.zeros((len(self.heard), len(self.states)))
        for question, code in self.code.items():
            table = np.log(shares(self.parameters[question], rng))
            ratio = (table - table[:1]).T
            said = code >= 0
            out[said] += ratio[code[said]]
        return out

    def joint_shares(self) -> np.ndarray:
        """Return the share of each joint answer in each state, (n_states, n_answers)."""
        entry = shares(self.parameters["entry_pipe"])
        replaced = shares(self.parameters["line_replaced"])
        return (entry[:, :, None] * replaced[:, None, :]).reshape(len(self.states), -1)

    def describe(self) -> dict[str, Any]:
        """Return counts and the learned shares of each answer by state."""
        return {
            "homes": int(self.heard.sum()),
            **{
                question: {
                    word: shares(self.parameters[question])[:, j].round(4).tolist()
                    for j, word in enumerate(words)
                }
                for question, words in QUESTIONS.items()
            },
        }
