"""Every question, from the modules that ask them."""

from __future__ import annotations

from tests.answers import of_inventories, of_ledger, of_manifests, of_media, of_planning, of_screens  # noqa: F401  (importing declares)
from tests.answers.registry import QUESTIONS

__all__ = ["QUESTIONS"]
