"""The firmware that is known here: the bundles of the store, and the images that components run, with evidence.

Rules: only what a component runs counts, not what is staged; a component whose running version is not known is
counted; an image is linked to a bundle that lists its kind, its model and its very version, by what the bundle states.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding
from bundlekeeper.jobs.session import Session

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import WhereAnswer
    from bundlekeeper.store.contents.right_now import Holding


@dataclass(frozen=True, slots=True)
class RunningImage:
    """One version of one kind and model, the components that run it, and the stored bundles that list it."""

    kind: str
    model: str
    version: str
    components: tuple[WhereAnswer, ...]
    bundles: tuple[Holding, ...]


@dataclass(frozen=True, slots=True)
class KnownFirmware:
    """The bundles in the store's order, the images by kind, model and version; how many components run nobody knows
    what; `platform` and `sequence` of the manifest in force, empty where there is none."""

    bundles: Sequence[Holding]
    images: Sequence[RunningImage]
    unknown: int
    platform: str
    sequence: str
    findings: Sequence[Finding]


def known_firmware(session: Session, sites: Sequence[str], domains: Sequence[str]) -> KnownFirmware:
    """Everything in the store, and what runs at these sites and domains (everywhere where none is named).

    Raises InputError for a place that was never recorded; DamagedError, LockedError, RefusedError, UnfinishedError.
    """
    from bundlekeeper.jobs.store.listing import store_list

    stored = store_list(session)
    answers, doubts = _answers(session, sites, domains)
    newest = stored.manifests[-1] if stored.manifests else None
    return KnownFirmware(
        stored.bundles,
        _images(answers, stored.bundles),
        sum(answer.active is None or not answer.active.version for answer in answers),
        newest.platform if newest is not None else "",
        str(newest.sequence) if newest is not None else "",
        [*stored.findings, *doubts],
    )


def _answers(
    session: Session, sites: Sequence[str], domains: Sequence[str]
) -> tuple[list[WhereAnswer], Sequence[Finding]]:
    if not session.ledger_is_there and not (sites or domains):
        return [], ()
    from bundlekeeper.jobs.recording.selection import Places
    from bundlekeeper.jobs.recording.where import WhereAsked, WhereTimes, where

    times = WhereTimes(zone=session.config.zone or "UTC")
    found = where(session, Places(site=tuple(sites), domain=tuple(domains)), WhereAsked(), times)
    return [answer for answer in found.answers if answer.present], found.doubts


def _images(answers: Sequence[WhereAnswer], bundles: Sequence[Holding]) -> list[RunningImage]:
    listed: dict[tuple[str, str, str], dict[str, Holding]] = {}
    for bundle in bundles:
        for image in bundle.stored.images:
            for model in image.models:
                by_place = listed.setdefault((image.kind, model, image.version), {})
                by_place[bundle.stored.place] = bundle
    running: dict[tuple[str, str, str], list[WhereAnswer]] = {}
    for answer in answers:
        if answer.active is not None and answer.active.version:
            running.setdefault((answer.kind, answer.model, answer.active.version), []).append(answer)
    return [RunningImage(*key, tuple(running[key]), tuple(listed.get(key, {}).values())) for key in sorted(running)]
