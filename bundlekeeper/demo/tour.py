"""The tour: the whole job on the invented platform, each step a real command.

Rules: who runs a step is given; its exit status is compared with the one that the step is there to show; nothing
outside the tour's own folder is touched; an existing folder is left alone.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from bundlekeeper.demo import tour_sites, tour_world
from bundlekeeper.errors import InputError, UnfinishedError

SPOILT = tour_world.file_name("blade", "6.1.0")


@dataclass(frozen=True)
class TourStep:
    """One command of the tour, what it is there to show, and the exit status that it must have."""

    title: str
    command: tuple[str, ...]
    expected: int
    look: str


STEPS = (
    TourStep(
        "Draft a manifest from the files that were downloaded",
        ("manifest", "draft", "downloads", "--platform", "marram", "--output", "draft.toml", "--quiet"),
        0,
        'Digests computed from the files themselves verify nothing yet: each is marked "own copy".',
    ),
    TourStep(
        "Lint the draft",
        ("manifest", "lint", "draft.toml"),
        1,
        "All problems at once, each with its place and a hint. A draft is unfinished: you fill in what only you know.",
    ),
    TourStep(
        "Confirm the reviewed manifest against the publisher's own list, from a separate channel",
        ("manifest", "confirm", "marram.toml", "--against", "publisher/SHA256SUMS"),
        0,
        "Now the digests are the publisher's, and the manifest is a new issue: its sequence went up.",
    ),
    TourStep(
        "Lint it again",
        ("manifest", "lint", "marram.toml"),
        0,
        "No problems found: the manifest can be used.",
    ),
    TourStep(
        "Add the bundles to the store",
        ("store", "add", "marram.toml", "--from", "downloads", "--quiet"),
        0,
        "Each file was read once: copied, hashed, made durable, compared, and only then put in place.",
    ),
    TourStep(
        "Add them again",
        ("store", "add", "marram.toml", "--from", "downloads", "--quiet"),
        0,
        "What is in the store and verified is not read again.",
    ),
    TourStep(
        "See what is in the store",
        (
            "store",
            "list",
        ),
        0,
        "Version, size, lifecycle, when each was verified and against whose digest.",
    ),
    TourStep(
        f"Verify a stick on which one bit of {SPOILT} was changed",
        ("verify", "marram.toml", "--at", "stick", "--quiet"),
        1,
        "The size is right, the bytes are not: exactly that file is found, and what to do is printed.",
    ),
    TourStep(
        "Verify the store itself",
        ("verify",),
        0,
        "Every file of the store was read from end to end. Only what was read is called verified.",
    ),
    TourStep(
        "Load the inventory of a domain at the site without a link",
        ("inventory", "load", "skerry.toml"),
        0,
        "Reported is what is new, gone, replaced or moved since the last reading. All of it is in the ledger now.",
    ),
    TourStep(
        "Ask which version runs where, since when, reported by whom",
        ("where", "skerry-a"),
        0,
        "A bank that nobody read is a question mark, never a guess. With --on, the same for any past day.",
    ),
    TourStep(
        "Ask what is between that domain and release 6.1, before anything is uploaded",
        ("gaps", "skerry-a", "--to", "6.1"),
        1,
        "A rule refuses the direct jump; its source is named. What could not be checked is counted, never called good.",
    ),
    TourStep(
        "Ask to bring a bundle to a component over Redfish, too early",
        (
            "stage",
            "SKERRYA-IO1",
            "--bundle",
            "infrastructure/6.1.0",
            "--upload",
            "--service",
            "https://manager.example",
        ),
        4,
        "Refused before any service was asked. Nothing is sent that a rule, or a fact that is not known, is against.",
    ),
    TourStep(
        "Ask for the allowed route: its order, its windows, and how to get back",
        ("route", "skerry-a", "--to", "6.1"),
        1,
        "It stops at 6.0, as the release notes ask. No rule allows a way back: you know that before you start.",
    ),
    TourStep(
        "Plan what goes on which volume for that site",
        ("media", "pack", "--for", "skerry-a", "--to", "6.1", "--volume", "6MB:folder", "--out", "packing.json"),
        0,
        "Both stops of the route are in it. What the set lacks would be listed first.",
    ),
    TourStep(
        "Write the volumes, here into a folder in place of two sticks",
        ("media", "write", "packing.json", "--to", "outbound", "--key", "keys/holm", "--quiet"),
        0,
        "Each is a bag (RFC 8493) and was read back. It has an index of the whole set, signed by the main site.",
    ),
    TourStep(
        "Receive them in the site's own store, which does not know the main site's key yet",
        ("media", "receive", "outbound", "--store", "skerry", "--quiet"),
        4,
        "Refused. A key on the stick cannot vouch for that stick, so no key is ever read from one.",
    ),
    TourStep(
        "Trust the main site's key, which came by a separate channel",
        (
            "trust",
            "add",
            "holm",
            "keys/holm.pub",
            "--form",
            "sshsig",
            "--for",
            "indexes",
            "--store",
            "skerry",
        ),
        0,
        "For indexes of media sets only. Compare the fingerprint by telephone.",
    ),
    TourStep(
        "Receive them now",
        ("media", "receive", "outbound", "--store", "skerry", "--quiet"),
        0,
        "Verified from the stick and added like any bundle. Volumes may come in any order and on different days.",
    ),
    TourStep(
        "Load the site's inventory into the site's store",
        ("inventory", "load", "skerry.toml", "--store", "skerry"),
        0,
        "It is the same inventory as at the main site, so both ledgers have the same events.",
    ),
    TourStep(
        "Record what was done at the site at night",
        ("stage", "skerry-a", "--kind", "io-module", "--bundle", "infrastructure/6.0.1", "--store", "skerry"),
        0,
        "Staged, not running yet: the image is in the spare bank.",
    ),
    TourStep(
        "Write the receipt that goes back",
        ("receipt", "write", "--out", "receipt.json", "--key", "keys/skerry", "--site", "skerry", "--store", "skerry"),
        0,
        "What arrived, and every event of the site's ledger, signed. Where no file may leave the site: --printed.",
    ),
    TourStep(
        "Trust the site's key, for receipts only",
        ("trust", "add", "skerry-crew", "keys/skerry.pub", "--form", "sshsig", "--for", "receipts"),
        0,
        "A signature for one kind of document serves for no other.",
    ),
    TourStep(
        "Read the receipt at the main site",
        ("receipt", "read", "receipt.json"),
        0,
        "Merged. Reading it twice, or in another order, changes nothing.",
    ),
    TourStep(
        "Ask the main site what is staged at the other site",
        ("where", "skerry-a", "--kind", "io-module"),
        0,
        "The main site answers as the site would.",
    ),
)


def tour(place: Path, run: Callable[[int, TourStep], int]) -> list[tuple[TourStep, int]]:
    """Make the tour's files in `place`, and every step by `run`, which gives its exit status; inside that folder.

    Raises UnfinishedError when the files cannot be written.
    """
    _prepare(place)
    with _inside(place):
        return [(step, run(number, step)) for number, step in enumerate(STEPS, 1)]


def fresh(folder: Path | None) -> Path:
    """The folder of a tour, new and empty: the one that is named, else one of a free name.

    Raises InputError when it is there already, UnfinishedError when it cannot be made.
    """
    names = (
        [folder] if folder else [Path("bundlekeeper-tour"), *(Path(f"bundlekeeper-tour-{n}") for n in range(2, 100))]
    )
    for name in names:
        with contextlib.suppress(FileExistsError):
            try:
                name.mkdir(parents=True)
            except FileExistsError:
                if name.is_dir() and not any(name.iterdir()):
                    return name.absolute()
                raise
            except OSError as error:
                raise UnfinishedError(f"the folder cannot be made: {error.strerror}", where=str(name)) from error
            return name.absolute()
    raise InputError("the folder is there already", where=str(names[-1]), hint="name a new one: bundlekeeper tour DIR")


def _prepare(place: Path) -> None:
    try:
        tour_world.make_downloads(place / "downloads")
        (place / "marram.toml").write_text(tour_world.reviewed_manifest(), encoding="utf-8")
        (place / "skerry.toml").write_text(tour_sites.inventory(), encoding="utf-8")
        (place / "outbound").mkdir()
        for name in ("holm", "skerry"):
            tour_sites.make_key(place / "keys" / name)
        shutil.copytree(place / "downloads", place / "stick")
        with (place / "stick" / SPOILT).open("r+b") as file:
            file.seek(700_000)
            byte = file.read(1)[0]
            file.seek(700_000)
            file.write(bytes([byte ^ 0x04]))
    except OSError as error:
        raise UnfinishedError(f"the tour's files cannot be written: {error.strerror}", where=str(place)) from error


@contextlib.contextmanager
def _inside(place: Path) -> Iterator[None]:
    """Work in the tour's folder, with the store there and nowhere else."""
    before = Path.cwd()
    old = os.environ.get("BUNDLEKEEPER_STORE")
    os.chdir(place)
    os.environ["BUNDLEKEEPER_STORE"] = "store"
    try:
        yield
    finally:
        os.chdir(before)
        if old is None:
            del os.environ["BUNDLEKEEPER_STORE"]
        else:
            os.environ["BUNDLEKEEPER_STORE"] = old
