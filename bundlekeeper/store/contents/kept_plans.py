"""The plans that a store keeps: each a route document, named by its digest, with what was said of it beside it.

Rules: a plan's file never changes and is never removed; what is read is compared with its name, so that an altered plan
is never followed; what is said of a plan (its name, its change, who approved it) is a record of its own; that it was
closed is said by whoever opens them, from the ledger; an open plan's name is used once.

    .keeper/plans/<SHA-256>.json          the document
    .keeper/plans/<SHA-256>.about.json    the record
    .keeper/plans/<SHA-256>.runbook.html  the run-book that went out with it on media
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime

from bundlekeeper.errors import DamagedError, InputError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.formats.document import JsonDocument, hexadecimal, moment, optional, text
from bundlekeeper.store.contents.store import KEEPER, Store
from bundlekeeper.store.disk import files

FOLDER = "plans"
_HOME = (KEEPER, FOLDER)
_DIGEST = re.compile(r"[0-9a-f]{64}")
_PREFIX = re.compile(r"[0-9a-f]{4,64}")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
_NO_NAME = re.compile(r"[^A-Za-z0-9.]+")
_WORDS = text(empty=True, most=limits.TEXT_CHARACTERS)


def name_of(text: str) -> str:
    """The text as a plan's name: `k é 2` is `plan-k-2`; what is a name already stays as it is."""
    if _NAME.fullmatch(text) and not _PREFIX.fullmatch(text):
        return text
    return f"plan-{_NO_NAME.sub('-', text).strip('-.')}"[:100]


@dataclass(frozen=True, slots=True)
class PlanClosing:
    """That a plan was closed: when, reported by whom, and why."""

    at: datetime
    reported_by: str
    reason: str


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """What is said of a kept plan: its name, the change that it belongs to, who approved and who closed it."""

    sha256: str = field(metadata=hexadecimal(64))
    name: str = field(metadata=text())
    domain: str = field(metadata=_WORDS)
    release: str = field(metadata=_WORDS)
    kept_at: datetime = field(metadata=moment())
    reported_by: str = field(metadata=_WORDS)
    change: str = field(metadata=_WORDS)
    approved_by: str = field(metadata=_WORDS)
    continues: str = field(default="", metadata=_WORDS)
    closed_at: datetime | None = field(default=None, metadata=optional(moment()))
    closed_by: str = field(default="", metadata=_WORDS)
    reason: str = field(default="", metadata=_WORDS)

    @property
    def is_open(self) -> bool:
        """True when nobody closed it."""
        return self.closed_at is None


ABOUT = JsonDocument(KeptPlan, "bundlekeeper.kept-plan/1", what="the record of a plan", kind="record of a plan",
                     limit=limits.PLAN_RECORD_BYTES)  # fmt: skip


class Plans:
    """The plans of one open store. Every method raises DamagedError for a record or a plan that is not what was
    written, RefusedError for what is no file of ours, UnfinishedError when the disk fails."""

    def __init__(self, store: Store, closed: Mapping[str, PlanClosing] | None = None) -> None:
        """`closed` are the closings, by the digest of their plan."""
        self._store, self._closed = store, closed or {}

    def kept(self) -> tuple[KeptPlan, ...]:
        """Every plan, the one that was kept last first."""
        names = [name for name in self._names() if name.endswith(".about.json")]
        return tuple(sorted(map(self._record, names), key=lambda plan: (plan.kept_at, plan.sha256), reverse=True))

    def find(self, word: str) -> KeptPlan | None:
        """The plan of that name, the open one first, or of that digest or its first digits; None where there is none.

        Raises InputError, too, where several plans begin so.
        """
        plans = self.kept()
        named = [plan for plan in plans if plan.name == word]
        found = [plan for plan in named if plan.is_open] or named
        if not found and _PREFIX.fullmatch(word):
            found = [plan for plan in plans if plan.sha256.startswith(word)]
            if len(found) > 1:
                names = ", ".join(f"{plan.sha256[:12]} ({plan.name})" for plan in found)
                raise InputError(f"several plans begin with {word}: {names}", hint="give more digits, or the name")
        return found[0] if found else None

    def data(self, sha256: str) -> bytes:
        """The bytes of a plan's file. Raises DamagedError where they are not what was kept."""
        where = str(self._store.root.joinpath(*_HOME, f"{sha256}.json"))
        data = self._read(f"{sha256}.json", limits.ROUTE_BYTES)
        if hashlib.sha256(data).hexdigest() != sha256:
            hint = "keep the plan again from a good copy, once this file is moved away"
            raise DamagedError("a kept plan is not what was kept", hint=hint, where=where)
        return data

    def keep(self, plan: KeptPlan, data: bytes) -> bool:
        """Keep a plan; False where it was kept before, and then its record stays as it is.

        Raises InputError where another open plan has that name, but the one that it goes on with, or it is no name.
        """
        if not _NAME.fullmatch(plan.name) or _PREFIX.fullmatch(plan.name):
            hint = "--name NAME: ASCII letters, digits, dots, dashes; nothing that could be the beginning of a digest"
            raise InputError(f"a plan cannot be called {plan.name!r}", hint=hint)
        with self._changing() as home:
            kept = self.kept()
            if any(other.sha256 == plan.sha256 for other in kept):
                return False
            for other in kept:
                if other.name == plan.name and other.is_open and other.sha256 != plan.continues:
                    message = f"another plan is called {plan.name}: {other.sha256[:12]}"
                    raise InputError(message, hint=f"--name NAME, or bundlekeeper plan close {plan.name} --reason TEXT")
            files.replace(home, f"{plan.sha256}.json", data)
            os.chmod(f"{plan.sha256}.json", files.FILE_MODE, dir_fd=home)
            files.replace(home, f"{plan.sha256}.about.json", ABOUT.write(plan))
        return True

    def runbook(self, sha256: str) -> bytes | None:
        """The run-book that went out with a plan; None where none did."""
        name = f"{sha256}.runbook.html"
        return self._read(name, limits.ROUTE_BYTES) if name in self._names() else None

    def keep_runbook(self, sha256: str, page: bytes) -> None:
        """Keep the run-book that goes out with a plan."""
        with self._changing() as home:
            files.replace(home, f"{sha256}.runbook.html", page)

    def _names(self) -> list[str]:
        with files.wrapped("the plans cannot be read", str(self._store.root.joinpath(*_HOME))):
            try:
                with files.folder(self._store.fd, _HOME) as home:
                    return sorted(name for name in os.listdir(home) if _DIGEST.match(name))
            except FileNotFoundError:
                return []

    def _record(self, name: str) -> KeptPlan:
        where = str(self._store.root.joinpath(*_HOME, name))
        try:
            plan = ABOUT.read(self._read(name, limits.PLAN_RECORD_BYTES), where)
        except InputError as error:
            hint = "move it away, and keep the plan again from its file"
            raise DamagedError(f"the record of a plan is damaged: {error.message}", hint=hint, where=where) from error
        if name != f"{plan.sha256}.about.json":
            raise DamagedError("the record of a plan is of another plan", hint="move it away", where=where)
        closing = self._closed.get(plan.sha256)
        if closing is None:
            return plan
        return replace(plan, closed_at=closing.at, closed_by=closing.reported_by, reason=closing.reason)

    def _read(self, name: str, limit: int) -> bytes:
        where = str(self._store.root.joinpath(*_HOME, name))
        with files.wrapped("a plan cannot be read", where):
            try:
                with files.folder(self._store.fd, _HOME) as home:
                    return files.read_bounded(home, name, limit)
            except (FileNotFoundError, RefusedError) as error:
                message = "a plan's file is not there" if isinstance(error, FileNotFoundError) else error.message
                raise DamagedError(message, hint="keep the plan again from a good copy", where=where) from error

    @contextmanager
    def _changing(self) -> Iterator[int]:
        """The open folder, made where absent; only one process at a time changes anything in it."""
        where = str(self._store.root.joinpath(*_HOME))
        with (
            files.wrapped("the plans cannot be changed", where),
            files.folder(self._store.fd, _HOME, create=True, mode=files.PRIVATE_FOLDER) as home,
        ):
            fcntl.flock(home, fcntl.LOCK_EX)  # for some milliseconds; it ends with the folder
            yield home


def received_plan(store: Store, data: bytes, record: bytes, where: str) -> str:
    """Keep a plan that came from another store, under its name or, where that is in use, with its digest's digits.

    Returns its name here. Raises InputError for a plan or a record that is none; as `Plans`.
    """
    from bundlekeeper.model.route.document import read_document

    plan, plans = ABOUT.read(record, where), Plans(store)
    if hashlib.sha256(data).hexdigest() != plan.sha256 or read_document(data, where) is None:
        raise InputError(
            "the plan is not the one of its record", where=where, hint="ask the set's maker for another set"
        )
    before = next((kept for kept in plans.kept() if kept.sha256 == plan.sha256), None)
    if before is not None:
        return before.name
    if any(kept.name == plan.name and kept.is_open and kept.sha256 != plan.continues for kept in plans.kept()):
        plan = replace(plan, name=f"{plan.name}-{plan.sha256[:8]}")
    plans.keep(plan, data)
    return plan.name
