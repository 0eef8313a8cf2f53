"""Answers are the kept ones, word for word; see the package's docstring for what that says and what not."""

from __future__ import annotations

import pytest

from tests.answers import kept
from tests.answers.questions import QUESTIONS

_SHOWN = 40  # lines of a difference
_EVERY = 3  # `python -m tests.answers` compares all


@pytest.mark.parametrize("name", QUESTIONS)
def test_an_answer_is_the_kept_one(name: str) -> None:
    question, before = QUESTIONS[name], kept.load(name)
    assert len(before) == question.seeds, "the kept answers are of other seeds: python -m tests.answers --update"
    for seed, old in list(enumerate(before))[::_EVERY]:
        now = question.answer(seed)
        if now != old:
            lines = kept.difference(name, seed, old, now)
            more = f"\n… and {len(lines) - _SHOWN} lines more" if len(lines) > _SHOWN else ""
            hint = "\nWas it meant? Then: python -m tests.answers --update, and read what it prints"
            pytest.fail("\n".join(lines[:_SHOWN]) + more + hint, pytrace=False)


def test_every_kept_file_has_a_question() -> None:
    assert {path.name for path in kept.FOLDER.iterdir()} == {kept.path_of(name).name for name in QUESTIONS}
