"""What can be asked of the ledger and what it answers, as types.

Rules: an answer says since when, reported by whom and with what evidence, or that it is not known; what was only read,
only recorded, read as something else or not read back has a name of its own and is never called agreement; texts are
as they were recorded.
"""

from __future__ import annotations

from dataclasses import field
from enum import StrEnum

from bundlekeeper.formats.moments import Moment
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.event.events import EventKind, EvidenceKind
from bundlekeeper.model.inventory.types import Place


@dataclass(frozen=True, slots=True)
class ImageOf:
    """An image of a bundle as a manifest lists it: which kind and models it is for, and its version."""

    kind: str
    models: tuple[str, ...]
    version: str


@dataclass(frozen=True, slots=True)
class BundleOf:
    """A bundle to look for: by family and version where events name them, else by the images that it has.

    With `sha256` it is one of several files of that version: what an event names by another digest is not it.
    """

    family: str
    version: str
    images: tuple[ImageOf, ...] = ()
    sha256: str = ""


#: One word, or several, of which one suffices; "" and () are not given.
Words = str | tuple[str, ...]


def words_of(words: Words) -> tuple[str, ...]:
    """The words as a tuple, each once; empty where none is given."""
    return tuple(dict.fromkeys(words)) if isinstance(words, tuple) else (words,) if words else ()


@dataclass(frozen=True, slots=True)
class Selector:
    """Which components and images are meant; every field that is given must match, "" is not given.

    `slot` matches the slot and every position in it (`3` also `3/1`). `component` is an identity or a serial, `parent`
    the serial of a server or chassis; `name` and `tag` are what people call it. `version`, `sha256` and `bundles` mean
    an image in any bank, or in `bank` only ("active", "pending", "spare", "staged", "boot_files"); of several bundles
    one suffices. `equals` are images that are the same as `version` on components of their kind. With `staged`,
    something is staged, and the image that is asked for is. With `gone`, the answers include components that are no
    longer anywhere.
    """

    site: Words = ""
    domain: Words = ""
    chassis: Words = ""
    slot: Words = ""
    kind: Words = ""
    model: Words = ""
    component: str = ""
    parent: str = ""
    name: str = ""
    tag: str = ""
    version: Words = ""
    equals: tuple[ImageOf, ...] = ()
    sha256: Words = ""
    bundles: tuple[BundleOf, ...] = ()
    bank: Words = ""
    staged: bool = False
    gone: bool = False


@dataclass(frozen=True, slots=True)
class Evidence:
    """One event that an answer rests on: when, reported by whom, done by whom, on what evidence, from which source."""

    id: str
    what: EventKind
    at: Moment
    reported_by: str
    done_by: str
    evidence: EvidenceKind
    source: str


@dataclass(frozen=True, slots=True)
class InBank:
    """What is in a bank: an image, or nothing (`version` is the empty text). `since` is the event that states it.

    Where `since` is an observation, the image was there at that moment; for how long is not known. `family`, `bundle`
    and `sha256` are empty where no event states them.
    """

    version: str
    since: Evidence
    family: str = ""
    bundle: str = ""
    sha256: str = ""


class Agreement(StrEnum):
    """Whether what was recorded as activated and the readings of the running version agree."""

    ACTIVATION_FAILED = "activation-failed"  # the last try failed, and nothing was recorded or read since
    NO_ANSWER = "no-answer"  # it did not answer, and nothing was heard of it since
    AGREES = "agrees"  # it was read after it was recorded, and was the same
    DIFFERS = "differs"  # the last reading is not what was recorded
    NOT_READ_BACK = "not-read-back"  # the last reading is older than what was recorded
    ONLY_READ = "only-read"  # no activation was ever recorded
    ONLY_RECORDED = "only-recorded"  # it was never read
    NOTHING = "nothing"  # neither


@dataclass(frozen=True, slots=True)
class WhereAnswer:
    """The state of one component. A bank that no event names is None.

    `staged` is what was brought to be activated, in whichever bank; `previous` is a spare image or a boot file that is
    neither active nor staged, the one that ran before where that is known: None where there is none, or several.
    `recorded` is what was last recorded as activated, `seen` the last reading of the running version.
    `missed` is the failed try or the silence after which nothing else was heard.
    `boot_files_whole` is True where `boot_files` is the whole list. `bundles` are those of the selector that are in a
    bank that was asked for.
    """

    component: str
    kind: str
    model: str
    parent: str
    place: Place | None
    present: bool
    active: InBank | None
    pending: InBank | None
    spare: InBank | None
    boot_files: tuple[InBank, ...]
    boot_files_whole: bool
    recorded: InBank | None
    seen: Evidence | None
    agreement: Agreement
    bundles: tuple[BundleOf, ...] = field(default=())
    name: str = ""
    tags: tuple[str, ...] = ()
    staged: InBank | None = None
    previous: InBank | None = None
    healthy: bool | None = None
    missed: Evidence | None = None


@dataclass(frozen=True, slots=True)
class WhereGroup:
    """How many components share these values: `values` in the order of the keys of the group, None for not known."""

    values: tuple[str | None, ...]
    count: int
    differs: int
