"""The register of questions: a name, the seeds that are asked, and the function that answers one of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

from tests.answers.plain import text

Ask = Callable[[Random], Any]


@dataclass(frozen=True, slots=True)
class Question:
    """One question; `ask` draws all that varies from the chance that it is given."""

    name: str
    ask: Ask
    seeds: int

    def answer(self, seed: int) -> str:
        """The whole answer as text, the same for the same seed everywhere."""
        return text(self.ask(Random(f"{self.name} {seed}")))


QUESTIONS: dict[str, Question] = {}


def question(name: str, seeds: int) -> Callable[[Ask], Ask]:
    """Declare a question that is asked with the seeds from 0. Raises ValueError for a name that is taken."""

    def declare(ask: Ask) -> Ask:
        if name in QUESTIONS:
            raise ValueError(f"{name} is there already")
        QUESTIONS[name] = Question(name, ask, seeds)
        return ask

    return declare
