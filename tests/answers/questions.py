"""Every question, from the modules that ask them; to import one is to declare its questions."""

from __future__ import annotations

from tests.answers import of_inventories, of_ledger, of_manifests, of_media, of_planning, of_screens, of_words
from tests.answers.registry import QUESTIONS

MODULES = (of_inventories, of_ledger, of_manifests, of_media, of_planning, of_screens, of_words)

__all__ = ["MODULES", "QUESTIONS"]
