"""What a plan itself changed is progress: its inputs of then, with what its own steps brought set as it is today.

Rules: a bank may hold what was there before, what the plan's steps bring, or nothing that is known, once the plan's
work on the component has begun; a component that it has not begun with must be as it was; free bytes of a component
that it has begun with are no difference, since the images on it are judged again; a policy may name what the steps
bring. Everything else is as it was in the document, so that comparing it with today names each difference.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any

from bundlekeeper.model.route.document import digest_of
from bundlekeeper.model.route.planned_work import PlannedWork

#: Whether two versions of a kind are the same one.
Same = Callable[[str, str, str], bool]
_ACTIVE, _FILES = "active", "boot_files"
_BANKS = ("pending", "staged", "spare")
_WORDS_OF_PEOPLE = ("name", "tags", "note")


def followed(
    then: Mapping[str, Any], now: Mapping[str, Any], work: PlannedWork, same: Same, touched: Collection[str] = ()
) -> dict[str, Any]:
    """The facts of a domain in a document, `then`, with what the plan explains as in those of today, `now`.

    `touched` are components about which an entry of the ledger bears the plan's digest.
    """
    found = dict(then)
    components, begun = dict(then["components"]), set[str]()
    for key, old in then["components"].items():
        new = now["components"].get(key)
        if new is None:
            continue
        row = dict(old)
        _take(row, new, _WORDS_OF_PEOPLE)
        change = _Change(key, old, new, work, same)
        if key in work.of and (key in touched or change.is_begun):
            begun.add(key)
            _take(row, new, tuple(change.explained()))
        components[key] = row
    found["components"] = components
    found["partitions"] = dict(then["partitions"])
    for name, old in then["partitions"].items():
        if old.get("component") in begun and name in now["partitions"]:
            row = dict(old)
            _take(row, now["partitions"][name], ("free_bytes",))
            found["partitions"][name] = row
    found["policies"] = dict(then["policies"])
    for name, old in then["policies"].items():
        new = now["policies"].get(name)
        if new is not None and _is_edited(old.get("versions") or {}, new.get("versions") or {}, work, same):
            row = dict(old)
            _take(row, new, ("versions",))
            found["policies"][name] = row
    if then.get("sha256") == digest_of({key: value for key, value in then.items() if key not in ("sha256", "from")}):
        found["sha256"] = now["sha256"]  # the document is what was written: an edited one keeps its own, and differs
    return found


def _take(row: dict[str, Any], new: Mapping[str, Any], keys: Collection[str]) -> None:
    for key in keys:
        row.pop(key, None)
        if key in new:
            row[key] = new[key]


class _Change:
    """One component then and now, beside what the plan brings to it."""

    def __init__(self, key: str, old: Mapping[str, Any], new: Mapping[str, Any], work: PlannedWork, same: Same) -> None:
        self.old, self.new = old, new
        self._kind, self._same = str(new.get("kind", "")), same
        self._brought = [item.end for item in work.of.get(key, ())]
        self._removed = {version for owner, version in work.removals if owner == key}
        self._before = [str(old[bank]) for bank in (_ACTIVE, *_BANKS) if old.get(bank)]
        self._before += [str(version) for version in old.get(_FILES) or ()]

    def _is_one_of(self, version: str, versions: Collection[str]) -> bool:
        return any(self._same(self._kind, version, other) for other in versions)

    @property
    def is_begun(self) -> bool:
        """True when something that the plan brings is there and was not, or a file that it removes is gone."""
        for bank in (_ACTIVE, *_BANKS):
            version = self.new.get(bank)
            if version and version != self.old.get(bank) and self._is_one_of(version, self._brought):
                return True
        files, before = self.new.get(_FILES), self.old.get(_FILES)
        if files is None or before is None:
            return False
        gone = set(before) - set(files)
        return bool(gone & self._removed) or any(
            self._is_one_of(version, self._brought) for version in set(files) - set(before)
        )

    def explained(self) -> Iterator[str]:
        """The keys of which the plan explains the value of today."""
        active = self.new.get(_ACTIVE)
        if active and self._is_one_of(active, self._brought):
            yield _ACTIVE
        for bank in _BANKS:
            version = self.new.get(bank)
            if not version or self._is_one_of(version, [*self._brought, *self._before]):
                yield bank
        files = self.new.get(_FILES)
        if files is None:
            yield _FILES
            return
        gone = set(self.old.get(_FILES) or ()) - set(files)
        if gone <= self._removed and all(self._is_one_of(v, [*self._brought, *self._before]) for v in files):
            yield _FILES


def _is_edited(old: Mapping[str, str], new: Mapping[str, str], work: PlannedWork, same: Same) -> bool:
    """True when each version that a policy names otherwise is one that the plan brings to that family or kind."""
    changed = [key for key in {*old, *new} if old.get(key) != new.get(key)]
    return bool(changed) and all(
        key in new
        and any(
            (item.family == key and item.bundle == new[key])
            or (item.kind == key and same(item.kind, item.end, new[key]))
            for item in work.items
        )
        for key in changed
    )
