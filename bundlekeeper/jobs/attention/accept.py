"""Accepting a finding: an entry in the store's store.toml, in which every other byte stays.

Rules: the store's owner or root writes it; what is there must be readable as a whole before and after; the same code
and subject again changes the entry that is there; the new file is in place whole or not at all.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import CODES
from bundlekeeper.formats.escape import meant
from bundlekeeper.jobs.recording.who import reporter
from bundlekeeper.jobs.session import Session
from bundlekeeper.model.acceptance import EVERYWHERE, LONGEST_DAYS, Acceptance, insist_on

if TYPE_CHECKING:
    from bundlekeeper.store.contents.store import Store

NAME = "store.toml"
_FIRST = "store = 1\n"


@dataclass(frozen=True, slots=True)
class Accepted:
    """The entry, whether it took the place of an earlier one, and the file that it is in."""

    entry: Acceptance
    replaced: bool
    path: str


def accept(
    session: Session, code: str, subject: str, *, reason: str, until: str | None, reported_by: str | None
) -> Accepted:
    """Write the entry. Raises InputError for what cannot be accepted and for a store.toml that cannot be read.

    RefusedError where this user may not write it; LockedError, UnfinishedError.
    """
    from bundlekeeper.model.store_settings import read_settings
    from bundlekeeper.store.disk import lock

    today = session.now().date()
    who = reporter(reported_by, session.config.reported_by)
    entry = Acceptance(code, subject, reason, who, today, _day(until, today))
    _insist_on_code(code)
    insist_on(entry)
    _insist_on_place(session, subject)
    store = session.store
    _insist_on_owner(store)
    path = str(store.root / NAME)
    with lock.held(store.fd, "accept", clock=session.now, where=str(store.root)):
        text = _text(store)
        read_settings(text.encode("utf-8", "surrogateescape"), where=path)
        changed, replaced = _with(text, entry, path)
        data = changed.encode("utf-8", "surrogateescape")
        read_settings(data, where=path)
        _write(store, data)
    return Accepted(entry, replaced, path)


def _insist_on_code(code: str) -> None:
    """Insist that it is a code of the checks. Raises InputError for one of another list, which nobody accepts."""
    from bundlekeeper.jobs.handbook.codes import code_lists

    others = [codes for codes in code_lists() if code in codes.codes and code not in CODES]
    if others:
        message = f"{code} cannot be accepted: it is reported by {others[0].reported_by}"
        raise InputError(message, hint=f"bundlekeeper explain {code} says what to do about it")


def _insist_on_place(session: Session, subject: str) -> None:
    """Insist that a pattern names a site or a domain that was recorded, where anything was. Raises InputError."""
    name = subject.removesuffix(EVERYWHERE)
    if name == subject or not session.places:
        return
    known = {word for site, domain in session.places for word in (site, domain, f"{site}/{domain}") if word}
    if name in known:
        return
    raise InputError(f"no site and no domain is called {name}", hint=meant(name, sorted(known)))


def _day(text: str | None, today: date) -> date:
    if text is None:
        hint = f"a year at most, {today + timedelta(days=LONGEST_DAYS - 1)} for example"
        raise InputError("--until is missing: until when is it accepted?", hint=hint)
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"--until: {text!r} is no day", hint="write it as 2026-12-31") from error


def _insist_on_owner(store: Store) -> None:
    owner = os.fstat(store.fd).st_uid
    if os.geteuid() not in (0, owner):
        raise RefusedError(
            f"only the store's owner writes its {NAME}", where=str(store.root), hint="run it as its owner"
        )


def _text(store: Store) -> str:
    from bundlekeeper.formats import limits
    from bundlekeeper.store.disk import files

    with files.wrapped("the store's settings cannot be read", NAME):
        if not files.exists(store.fd, NAME):
            return _FIRST
        return files.read_bounded(store.fd, NAME, limits.STORE_SETTINGS_BYTES).decode("utf-8", "surrogateescape")


def _with(text: str, entry: Acceptance, path: str) -> tuple[str, bool]:
    from bundlekeeper.formats.toml_edit import Edit, literal

    edit = Edit(text, name=path)
    values: dict[str, str | date] = {
        "code": entry.code,
        "subject": entry.subject,
        "reason": entry.reason,
        "reported_by": entry.reported_by,
        "on": entry.on,
        "until": entry.until,
    }
    for number, row in enumerate(edit.data.get("accepted", ())):
        if (row["code"], row["subject"]) == (entry.code, entry.subject):
            for key in ("reason", "reported_by", "on", "until"):
                edit.put(("accepted", number), key, values[key], after="code")
            return edit.result(), True
    edit.add("accepted", [f"{key} = {literal(value)}" for key, value in values.items()])
    return edit.result(), False


def _write(store: Store, data: bytes) -> None:
    from bundlekeeper.store.contents.store import KEEPER
    from bundlekeeper.store.disk import files

    temp = ".new-store.toml"
    with files.wrapped("the store's settings cannot be written", NAME), files.folder(store.fd, (KEEPER,)) as keeper:
        files.replace(keeper, temp, data)
        fd = os.open(temp, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=keeper)
        try:
            root = os.fstat(store.fd)
            if os.geteuid() != root.st_uid:  # root writes for the owner
                os.fchown(fd, root.st_uid, root.st_gid)
            os.fchmod(fd, 0o644)
        finally:
            os.close(fd)
        os.rename(temp, NAME, src_dir_fd=keeper, dst_dir_fd=store.fd)
        os.fsync(store.fd)
