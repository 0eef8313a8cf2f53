"""Events: one statement each, about one component at one moment, reported by somebody. They are never changed.

Rules: an event's id is the SHA-256 of its content, so that the same statement has the same id in every store; the time
when a store learned of it is not content; a wrong event is undone by a later one that names its id; what was not
stated is left out of the content, what was read as none is the empty text. Content: JSON with sorted keys and no
blanks (the spirit of RFC 8785; there are no fractions in it), after a line that names its kind.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import field, fields
from enum import StrEnum
from functools import lru_cache
from json.encoder import encode_basestring as quoted
from operator import attrgetter
from typing import Any, NamedTuple

from bundlekeeper.errors import InputError
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import visible
from bundlekeeper.formats.moments import Moment
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.inventory.types import PLACES, Place, coverable
from bundlekeeper.model.vocabulary import BANKS, BOOT_FILES, METHODS

PREFIX = b"bundlekeeper event 1\n"  # so that no other document of ours can have an event's id
_HEX = re.compile(r"[0-9a-f]{64}")
#: From the year 1 to the year 9999, in microseconds around 1970.
_EARLIEST_US, _LATEST_US = -62_135_596_800_000_000, 253_402_300_799_999_999


class EventKind(StrEnum):
    """What an event states."""

    __hash__ = str.__hash__  # an enumeration's own is far slower, and every event is looked up by its kind

    STAGED = "staged"  # the image's bytes are on the component
    ACTIVATED = "activated"  # it now runs
    REMOVED = "removed"  # an image is no longer in a bank or on the file system
    OBSERVED = "observed"  # this was read from the component, or seen at its place
    GONE = "gone"  # the component is no longer in the domain of its place, or, without a place, nowhere
    UNDONE = "undone"  # another event was wrong and does not count
    INVENTORY = "inventory"  # a reading of whole domains; its observations name it
    FAILED = "failed"  # an activation was tried and did not succeed
    NO_ANSWER = "no-answer"  # the component did not answer
    SKIPPED = "skipped"  # a plan's work on a component was left out: nothing about the component's state
    UPLOAD_BEGUN = "upload-begun"  # a bundle's file is about to be sent: nothing about the component's state
    UPLOAD_ENDED = "upload-ended"  # what became of that, as it was read back; the state is in events of its own
    BUNDLE_REMOVED = "bundle-removed"  # a bundle's file was taken out of a store: about no component
    PLAN_CLOSED = "plan-closed"  # nothing more is done by a plan: about no component


#: Among events of the same moment and order: the order in which such things are done.
RANK = {
    EventKind.INVENTORY: 0,
    EventKind.REMOVED: 1,
    EventKind.STAGED: 2,
    EventKind.ACTIVATED: 3,
    EventKind.FAILED: 4,
    EventKind.SKIPPED: 5,
    EventKind.NO_ANSWER: 6,
    EventKind.GONE: 7,
    EventKind.OBSERVED: 8,
    EventKind.UNDONE: 9,
    EventKind.BUNDLE_REMOVED: 10,
    EventKind.PLAN_CLOSED: 11,
    EventKind.UPLOAD_BEGUN: 1,
    EventKind.UPLOAD_ENDED: 9,
}


class EvidenceKind(StrEnum):
    """What an event rests on."""

    DIGEST = "digest-read-back"
    INVENTORY = "inventory-reading"
    WRITTEN_NOTE = "written-note"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Seen:
    """What was read of one component: None was not read, the empty text is none. `boot_files` is the whole list.

    `staged` is what was brought to be activated, in whichever bank.
    """

    active: str | None = None
    pending: str | None = None
    spare: str | None = None
    boot_files: tuple[str, ...] | None = None
    staged: str | None = None
    healthy: bool | None = None

    def __bool__(self) -> bool:
        return SEEN_OF(self) != _UNSEEN


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One statement. The empty text means: not stated.

    `order` sorts events of the same moment (0 first). `bank` is where the image was staged or removed: "pending",
    "spare" or "boot_files". `version` is the image's, `bundle` the bundle's, `sha256` the bundle file's. `place` is
    where the component is, `reading` the id of the INVENTORY event that an observation belongs to. `before` and `after`
    are readings around the work, such as path counts. `plan` is the SHA-256 of the plan that was approved, `change` the
    ticket, `anyway` the reason why a refusal was overruled. `undoes` is the id of the event that an UNDONE event takes
    back, `reason` is why, also why an activation failed, a component did not answer or work was left out. `name` and
    `tags` are what people call the component (a host name; an asset tag, a rack). For INVENTORY, `document` is the
    SHA-256 of what was read, `scope` the (site, domain, kind) that it lists, and `complete` what it lists whole, as
    `site:X` and `domain:X`: nothing else is there. For BUNDLE_REMOVED, `source` is the id of the ledger of the store
    that the file was in, and `before` has the file's place and when it was added. For UPLOAD_BEGUN, `source` is the
    management service and `before` how the file is sent; for UPLOAD_ENDED, `before` has the id of what was begun and
    `after` what became of it.
    """

    what: EventKind
    at: Moment
    reported_by: str
    order: int = 0
    done_by: str = ""
    approved_by: str = ""
    change: str = ""
    plan: str = ""
    evidence: EvidenceKind = EvidenceKind.NONE
    source: str = ""
    component: str = ""
    kind: str = ""
    model: str = ""
    parent: str = ""
    name: str = ""
    tags: tuple[str, ...] = ()
    place: Place | None = None
    method: str = ""
    bank: str = ""
    version: str = ""
    family: str = ""
    bundle: str = ""
    sha256: str = ""
    seen: Seen = field(default_factory=Seen)
    before: tuple[tuple[str, str], ...] = ()
    after: tuple[tuple[str, str], ...] = ()
    deviations: str = ""
    anyway: str = ""
    note: str = ""
    undoes: str = ""
    reason: str = ""
    reading: str = ""
    document: str = ""
    scope: tuple[tuple[str, str, str], ...] = ()
    complete: tuple[str, ...] = ()

    def id(self) -> str:
        """The event's id: 64 hexadecimal digits. Raises InputError for a text that is no Unicode."""
        return raw_id(encoded(self)).hex()


_TEXTS = (
    "reported_by", "done_by", "approved_by", "change", "plan", "source", "component", "kind", "model", "parent",
    "name", "method", "bank", "version", "family", "bundle", "sha256", "deviations", "anyway", "note", "undoes",
    "reason", "reading", "document",
)  # fmt: skip
_SEEN_KEYS = tuple(key.name for key in fields(Seen))
_UNSEEN = (None,) * len(_SEEN_KEYS)
SEEN = tuple(f"seen_{key}" for key in _SEEN_KEYS)
_KEYS = {"what", "at", "day", "zone", "order", "evidence", "tags", "before", "after", "scope", "complete"}
_KEYS |= {*_TEXTS, *PLACES, *SEEN}
_TEXTS_OF, PLACES_OF, SEEN_OF = attrgetter(*_TEXTS), attrgetter(*PLACES), attrgetter(*_SEEN_KEYS)
_TEXT_KEYS, _SEEN_KEYS_THERE = frozenset(_TEXTS), frozenset(SEEN)
_DIGESTS = ("plan", "sha256", "undoes", "reading", "document")
_DIGESTS_OF = attrgetter(*_DIGESTS)
_ENCODE = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode
_RARE = ("tags", "before", "after", "scope", "complete")
_RARE_OF = attrgetter(*_RARE)
#: Keys as they stand before their values.
_TEXT_PARTS, _PLACE_PARTS, _SEEN_PARTS, _RARE_PARTS = (
    tuple(f'"{key}":' for key in keys) for keys in (_TEXTS, PLACES, SEEN, _RARE)
)
_TABLE_PARTS = _RARE_PARTS[1:3]


def content(event: Event) -> dict[str, object]:
    """What the event states, as JSON carries it: only what was stated."""
    found: dict[str, object] = {key: value for key, value in zip(_TEXTS, _TEXTS_OF(event), strict=True) if value}
    found |= {"what": event.what.value, "at": event.at.at_us, "zone": event.at.zone}
    if event.at.is_day:
        found["day"] = True
    if event.order:
        found["order"] = event.order
    if event.evidence is not EvidenceKind.NONE:
        found["evidence"] = event.evidence.value
    if event.place is not None:
        for key, value in zip(PLACES, PLACES_OF(event.place), strict=True):
            if value is not None:
                found[key] = value
    for key, value in zip(SEEN, SEEN_OF(event.seen), strict=True):
        if value is not None:
            found[key] = value
    if event.tags:
        found["tags"] = event.tags
    if event.before:
        found["before"] = dict(event.before)
    if event.after:
        found["after"] = dict(event.after)
    if event.scope:
        found["scope"] = event.scope
    if event.complete:
        found["complete"] = event.complete
    return found


def canonical(event: Event) -> str:
    """The event's content as the one text that its id is computed from: `content`, encoded with sorted keys."""
    # no key goes on with a sign before the quotation mark, so that sorting these parts sorts the keys
    parts = [f"{key}{quoted(value)}" for key, value in zip(_TEXT_PARTS, _TEXTS_OF(event), strict=True) if value]
    at, place = event.at, event.place
    parts += (f'"at":{at.at_us}', f'"what":{quoted(event.what)}', f'"zone":{quoted(at.zone)}')
    if at.is_day:
        parts.append('"day":true')
    if event.order:
        parts.append(f'"order":{event.order}')
    if event.evidence is not EvidenceKind.NONE:
        parts.append(f'"evidence":{quoted(event.evidence)}')
    if place is not None:
        parts += [
            f"{key}{quoted(value)}"
            for key, value in zip(_PLACE_PARTS, PLACES_OF(place), strict=True)
            if value is not None
        ]
    for key, cell in zip(_SEEN_PARTS, SEEN_OF(event.seen), strict=True):
        if cell is not None:
            parts.append(f"{key}{quoted(cell) if type(cell) is str else _ENCODE(cell)}")
    rare = _RARE_OF(event)
    if any(rare):
        for key, value in zip(_RARE_PARTS, rare, strict=True):
            if value:
                parts.append(f"{key}{_ENCODE(dict(value) if key in _TABLE_PARTS else value)}")
    parts.sort()
    return f"{{{','.join(parts)}}}"


def raw_id(encoded_content: bytes) -> bytes:
    """The id of the event of this content: 32 bytes."""
    return hashlib.sha256(PREFIX + encoded_content).digest()


def encoded(event: Event) -> bytes:
    """The event's content as bytes. Raises InputError for a text that is no Unicode."""
    try:
        return canonical(event).encode()
    except UnicodeEncodeError as e:
        message = f"this {event.what} event cannot be recorded: characters that cannot be printed"
        raise InputError(f"{message}: {visible(e.object[e.start : e.end])}") from e


class CheckedEvent(NamedTuple):
    """An event that `check` accepted, its content as bytes and its id: worked out once, wherever it is from."""

    event: Event
    content: bytes
    id: bytes


def checked(event: Event | CheckedEvent) -> CheckedEvent:
    """The event, checked; one that was checked stays as it is. Raises InputError as `check` and `encoded`."""
    if isinstance(event, CheckedEvent):
        return event
    check(event)
    return _with_content(event)


def checked_content(found: object) -> CheckedEvent:
    """As `from_content`, with the content that the event has here, and its id. Raises InputError."""
    return _with_content(from_content(found))


def _with_content(event: Event) -> CheckedEvent:
    content = encoded(event)
    return CheckedEvent(event, content, raw_id(content))


def from_content(found: object) -> Event:
    """Make an event of what `content` gave, from whatever source. Raises InputError for anything else."""
    try:
        return _from_content(found)
    except (KeyError, TypeError, ValueError) as e:
        raise InputError(f"not an event: {type(e).__name__}: {str(e)[:200]}") from e


def _from_content(found: object) -> Event:
    if not isinstance(found, Mapping) or not _KEYS.issuperset(found):
        raise InputError("not an event: it has unknown keys", hint="it may come from a newer bundlekeeper")
    get = found.get
    texts: dict[str, Any] = {key: _text(found[key]) for key in found if key in _TEXT_KEYS}
    seen = {key[5:]: found[key] for key in found if key in _SEEN_KEYS_THERE}
    boot_files, healthy = seen.pop(BOOT_FILES, None), seen.pop("healthy", None)
    place = {key: _text(found[key]) for key in PLACES if key in found}
    event = Event(
        what=EventKind(found["what"]),
        at=Moment(_whole(found["at"]), get("day", False) is True, _text(found["zone"])),
        order=_whole(get("order", 0)),
        evidence=EvidenceKind(get("evidence", EvidenceKind.NONE)),
        place=Place(**place) if place else None,
        seen=Seen(
            **{key: _text(value) for key, value in seen.items()},
            boot_files=None if boot_files is None else _listed(boot_files),
            healthy=None if healthy is None else _flag(healthy),
        ),
        **{key: read(found[key]) for key, read in _LISTS if key in found},
        **texts,
    )
    check(event)
    return event


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("a text is required")
    return value


def _listed(value: object) -> tuple[str, ...]:
    if not isinstance(value, list | tuple):
        raise TypeError("a list of texts is required")
    return tuple(_text(text) for text in value)


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError("true or false is required")
    return value


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError("a whole number is required")
    return value


def _readings(value: object) -> tuple[tuple[str, str], ...]:
    if not isinstance(value, Mapping):
        raise TypeError("a table of readings is required")
    return tuple(sorted((_text(k), _text(v)) for k, v in value.items()))


def _scope(value: Iterable[tuple[object, object, object]]) -> tuple[tuple[str, str, str], ...]:
    return tuple((_text(a), _text(b), _text(c)) for a, b, c in value)


def _covered(value: Iterable[object]) -> tuple[str, ...]:
    return tuple(_text(covered) for covered in value)


_LISTS: tuple[tuple[str, Callable[[Any], Any]], ...] = (
    ("tags", _listed), ("before", _readings), ("after", _readings), ("scope", _scope), ("complete", _covered),
)  # fmt: skip


#: What each kind of event must have.
_REQUIRED: dict[EventKind, tuple[str, ...]] = {
    EventKind.STAGED: ("component", "version", "bank"),
    EventKind.ACTIVATED: ("component", "version"),
    EventKind.REMOVED: ("component", "bank"),
    EventKind.OBSERVED: ("component",),
    EventKind.GONE: ("component",),
    EventKind.UNDONE: ("undoes", "reason"),
    EventKind.INVENTORY: ("document", "scope"),
    EventKind.FAILED: ("component", "reason"),
    EventKind.NO_ANSWER: ("component",),
    EventKind.SKIPPED: ("component", "plan", "reason"),
    EventKind.BUNDLE_REMOVED: ("family", "bundle", "sha256", "source", "before", "reason"),
    EventKind.PLAN_CLOSED: ("plan", "reason"),
    EventKind.UPLOAD_BEGUN: ("component", "version", "family", "bundle", "source", "before"),
    EventKind.UPLOAD_ENDED: ("component", "version", "source", "before", "after"),
}
_REQUIRED_OF = {what: attrgetter("reported_by", *keys) for what, keys in _REQUIRED.items()}  # of two keys: a tuple

_WITH_BANK = frozenset({EventKind.STAGED, EventKind.REMOVED})
_READ_BY_NOTHING = frozenset({EventKind.UNDONE, EventKind.INVENTORY})


@lru_cache(maxsize=256)  # the events of an inventory name one reading
def _is_digest(text: str) -> bool:
    return _HEX.fullmatch(text) is not None


def check(event: Event) -> None:
    """Insist that the event states what an event of its kind can state. Raises InputError naming all that is wrong."""
    what, bank = event.what, event.bank
    wrong: list[str] = []
    if not all(_REQUIRED_OF[what](event)):
        wrong += [f"{key} is missing" for key in ("reported_by", *_REQUIRED[what]) if not getattr(event, key)]
    is_seen = bool(event.seen)
    if what is EventKind.OBSERVED and event.place is None and not is_seen:
        wrong.append("nothing was observed")
    if bank and not (what in _WITH_BANK and bank in BANKS[1:]):
        wrong.append(f"bank {bank!r} cannot be in an event of the kind {what}")
    if is_seen and what is not EventKind.OBSERVED:
        wrong.append("only an observation has readings of banks")
    if event.reading and what in _READ_BY_NOTHING:  # it could undo what undoes it
        wrong.append(f"an event of the kind {what} belongs to no reading")
    if what is EventKind.BUNDLE_REMOVED and event.component:
        wrong.append("a bundle is removed from a store, not from a component")
    if what is EventKind.PLAN_CLOSED and event.component:
        wrong.append("a plan is closed as a whole, not for a component")
    if what is EventKind.REMOVED and event.bank == BOOT_FILES and not event.version:
        wrong.append("version is missing")
    if event.method and event.method not in METHODS:
        wrong.append(f"method {event.method!r} is not known")
    if event.complete and not set(event.complete) <= coverable((site, domain) for site, domain, _ in event.scope):
        wrong.append(f"it does not list what it says to list whole: {', '.join(event.complete)}")
    if event.seen.active == "":
        wrong.append("the active version is empty, but some version always runs")
    if "" in event.tags:
        wrong.append("a tag is empty")
    if event.place is not None and not event.place.site:
        wrong.append("the place has no site")
    if not 0 <= event.order < 2**31 or not _EARLIEST_US <= event.at.at_us <= _LATEST_US:
        wrong.append("the time or the order is out of range")
    for key, value in zip(_DIGESTS, _DIGESTS_OF(event), strict=True):
        if value and not _is_digest(value):
            wrong.append(f"{key} is not 64 hexadecimal digits")
    wrong.extend(_unprintable(event))
    if wrong:
        raise InputError(f"this {what} event cannot be recorded: {'; '.join(wrong)}")


def _unprintable(event: Event) -> list[str]:
    texts = [*filter(None, _TEXTS_OF(event)), event.at.zone]
    place, seen = event.place, event.seen
    if place is not None:
        texts += filter(None, PLACES_OF(place))
    texts += filter(None, (seen.active, seen.pending, seen.spare, seen.staged, *(seen.boot_files or ()), *event.tags))
    if event.before or event.after or event.scope:  # what is complete has the words of the scope
        texts += (text for row in (*event.before, *event.after, *event.scope) for text in row)
    whole = "".join(texts)
    if len(whole) <= limits.TEXT_CHARACTERS and whole.isascii() and whole.isprintable():
        return []  # nearly always
    return [wrong for text in texts if (wrong := _wrong_with(text))]


@lru_cache(maxsize=8192)  # an inventory has the same few words a hundred thousand times
def _wrong_with(text: str) -> str:
    if len(text) > limits.TEXT_CHARACTERS:
        return f"a text has {len(text)} characters, {limits.TEXT_CHARACTERS} are the limit"
    shown = visible(text)
    return "" if shown == text else f"a text has characters that cannot be printed: {shown[:80]}"
