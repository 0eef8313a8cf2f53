"""The space of one partition as a bar: what is in use, and what comes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SpaceBar:
    """One partition's space: shares of its width in per cent that are in use and that the images need, and in words
    what goes when; `bad` where it is short or not known."""

    label: str
    used: str
    needs: str
    text: str
    bad: bool
