"""Events: one content, one id; what an event cannot state is refused."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.ledger.event.events import (
    Event,
    EventKind,
    EvidenceKind,
    Seen,
    canonical,
    check,
    checked,
    checked_content,
    content,
    from_content,
)
from bundlekeeper.model.inventory.types import Place
from tests.kits.ledger_history import at, read, records, stated


def test_an_id_is_the_digest_of_the_content_alone() -> None:
    """Computed here by hand: SHA-256 (FIPS 180-4) of the kind's line and the JSON with sorted keys."""
    event = stated(EventKind.ACTIVATED, 0, "6.1")
    text = (
        '{"at":1767311999999999,"component":"B7","day":true,"kind":"bios","model":"Tern-4","reported_by":"ada",'
        '"version":"6.1","what":"activated","zone":"UTC"}'
    )
    assert canonical(event) == text
    assert event.id() == hashlib.sha256(b"bundlekeeper event 1\n" + text.encode()).hexdigest()


@given(records())
def test_content_and_event_are_the_same_thing(events: list[Event]) -> None:
    """Through JSON and back: an equal event, and so an equal id."""
    for event in events:
        again = from_content(json.loads(canonical(event)))
        assert again == event
        assert again.id() == event.id()
        carried = checked_content(json.loads(canonical(event)))  # what a ledger takes as it is, not checked again
        assert (carried.event, carried.content, carried.id.hex()) == (event, canonical(event).encode(), event.id())
        assert checked(event) == carried
        assert checked(carried) is carried


PRINTED, NONE = st.text(max_size=6), st.none()
PLACED = st.builds(Place, PRINTED, PRINTED)


@given(st.data())
def test_the_text_is_what_the_json_library_writes(data: st.DataObject) -> None:
    """The text is put together by hand, because it is written for each event; the library's encoder is the oracle."""
    texts: dict[str, Any] = {
        key: data.draw(PRINTED) for key in ("component", "note", "version", "reason", "name", "reading")
    }
    banks = [data.draw(NONE | PRINTED) for _ in range(3)]
    seen = Seen(banks[0], banks[1], banks[2], data.draw(NONE | st.tuples(PRINTED, PRINTED)))
    event = Event(
        what=data.draw(st.sampled_from(EventKind)), at=at(data.draw(st.integers(0, 9)), data.draw(NONE | st.just(3))),
        reported_by=data.draw(PRINTED), seen=replace(seen, healthy=data.draw(NONE | st.booleans())),
        order=data.draw(st.integers(0, 3)), evidence=data.draw(st.sampled_from(EvidenceKind)),
        tags=data.draw(st.tuples(PRINTED) | st.just(())), place=data.draw(NONE | PLACED),
        before=tuple(data.draw(st.dictionaries(PRINTED, PRINTED, max_size=3)).items()),
        after=tuple(data.draw(st.dictionaries(PRINTED, PRINTED, max_size=3)).items()),
        scope=data.draw(st.tuples(st.tuples(PRINTED, PRINTED, PRINTED)) | st.just(())),
        complete=data.draw(st.tuples(PRINTED) | st.just(())), **texts,
    )  # fmt: skip
    assert canonical(event) == json.dumps(content(event), sort_keys=True, separators=(",", ":"), ensure_ascii=False)


FIELDS: dict[str, Any] = {
    "reported_by": "bo", "done_by": "bo", "approved_by": "cy", "change": "C", "plan": "b" * 64, "source": "s",
    "component": "B8", "kind": "disk", "model": "M", "parent": "P", "method": "overwrite", "bank": "spare",
    "version": "7", "family": "rack", "bundle": "7", "sha256": "b" * 64, "before": (("a", "b"),),
    "after": (("a", "b"),), "deviations": "d", "anyway": "a", "note": "n", "order": 1, "at": at(1),
    "place": Place("holm"), "reading": "c" * 64, "evidence": EvidenceKind.WRITTEN_NOTE,
}  # fmt: skip


@pytest.mark.parametrize("key", FIELDS)
def test_every_field_is_part_of_the_id(key: str) -> None:
    """Nothing that was stated can be changed without another id."""
    event = stated(EventKind.STAGED, 0, "6.1", bank="pending")
    other = replace(event, **{key: FIELDS[key]})
    check(other)
    assert other.id() != event.id()


def test_not_known_is_not_the_same_as_none() -> None:
    """Unknown is never zero and never good."""
    assert read(0, "6.0").id() != read(0, "6.0", pending="").id()
    assert read(0, "6.0", boot_files=()).id() != read(0, "6.0").id()
    assert content(read(0, "6.0", boot_files=()))["seen_boot_files"] == ()


@pytest.mark.parametrize(
    ("event", "word"),
    [
        (stated(EventKind.STAGED, 0, "6.1"), "bank is missing"),
        (stated(EventKind.STAGED, 0, "6.1", bank="active"), "bank 'active'"),
        (stated(EventKind.STAGED, 0, bank="spare"), "version is missing"),
        (stated(EventKind.ACTIVATED, 0), "version is missing"),
        (stated(EventKind.ACTIVATED, 0, "6.1", component=""), "component is missing"),
        (stated(EventKind.ACTIVATED, 0, "6.1", reported_by=""), "reported_by is missing"),
        (stated(EventKind.ACTIVATED, 0, "6.1", bank="pending"), "bank 'pending'"),
        (stated(EventKind.ACTIVATED, 0, "6.1", seen=Seen("6.0")), "only an observation"),
        (stated(EventKind.ACTIVATED, 0, "6.1", sha256="A" * 64), "sha256"),
        (stated(EventKind.ACTIVATED, 0, "6.1", method="hope"), "method"),
        (stated(EventKind.ACTIVATED, 0, "6.1", order=-1), "order"),
        (stated(EventKind.ACTIVATED, 0, "x" * 5000), "4096"),
        (stated(EventKind.ACTIVATED, 0, "6.1\x1b[2J"), r"\\x1b"),
        (stated(EventKind.ACTIVATED, 0, "6.1", note="a\u202eb"), "cannot be printed"),
        (stated(EventKind.REMOVED, 0, bank="boot_files"), "version is missing"),
        (stated(EventKind.OBSERVED, 0), "nothing was observed"),
        (read(0, ""), "some version always runs"),
        (read(0, "6.0", place=Place("")), "has no site"),
        (Event(what=EventKind.UNDONE, at=at(0), reported_by="ada", undoes="a" * 64), "reason is missing"),
        (Event(what=EventKind.UNDONE, at=at(0), reported_by="ada", undoes="a", reason="x"), "undoes"),
        (Event(what=EventKind.INVENTORY, at=at(0), reported_by="ada", document="a" * 64), "scope is missing"),
    ],
)
def test_what_an_event_cannot_state(event: Event, word: str) -> None:
    """Each refusal names what is wrong."""
    with pytest.raises(InputError, match=word):
        check(event)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=5,
)


@given(
    st.dictionaries(
        st.sampled_from([*content(read(0, "6", boot_files=("6",))), "before", "scope", "undoes", "bank"]), JSON
    )
)
def test_unknown_content_is_an_event_or_our_own_error(found: dict[str, object]) -> None:
    """Nothing but our own error family may come out."""
    for candidate in (found, {**content(read(0, "6.0", boot_files=("6.0",))), **found}):
        try:
            event = from_content(candidate)
        except InputError:
            continue
        assert from_content(content(event)) == event
