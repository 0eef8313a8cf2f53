"""What a store keeps about media sets: those that it sent, those that it received, the receipts that came back.

Rules: each set has a folder named by its sequence and id, with its record, its signed index and what else belongs to
it; a record is replaced whole or not at all, and is durable when the call returns; a record that cannot be read is an
error with a hint, and never counts as no record; a folder that the user renamed to `….damaged` still has its sequence,
so that no number is given twice and no older set passes for a newer one; one process at a time changes anything here.

    .keeper/sets/sent/000012-0123456789abcdef/        record.json set-index.json set-index.json.sig
    .keeper/sets/received/<issuer>/000012-0123456789abcdef/   the same, and and kept/, small files of what is not whole
    yet .keeper/sets/receipts/                            <set id>-<first digits of the SHA-256>.json and .sig
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime

from bundlekeeper.errors import InputError, LockedError, RefusedError
from bundlekeeper.formats import limits
from bundlekeeper.media.set.records import (
    DAMAGED,
    ReceivedSet,
    Sent,
    damaged,
    read_received,
    read_sent,
    write_received,
    write_sent,
)
from bundlekeeper.store.contents.store import KEEPER, Store
from bundlekeeper.store.disk import files
from bundlekeeper.verification.hashing.read import Stop

FOLDER = "sets"
_TEMP = ".new-"
RECORD, INDEX, SIGNATURE = "record.json", "set-index.json", "set-index.json.sig"
_NAME = re.compile(r"(\d{6,19})-([0-9a-f]{16})(\.damaged)?")
_ISSUER = re.compile(r"[0-9a-f]{1,128}")


class Sets:
    """The media sets of one open store. Every method raises DamagedError for a record that cannot be read (its hint
    says what to do), RefusedError for a link or a foreign folder among ours, UnfinishedError when the disk fails."""

    def __init__(self, store: Store) -> None:
        self._store = store

    # Sets that this store sent

    def sent(self) -> tuple[Sent, ...]:
        """The sets that were begun here, by sequence."""
        return tuple(
            read_sent(self._read((*_SENT, name), RECORD), self._where((*_SENT, name)))
            for name, _, _ in self._names(_SENT)
            if self._begun((*_SENT, name))
        )

    def begin(
        self, *, issuer: str, packing: str, platform: str, meant_for: str, volumes: int, manifest: str, at: datetime
    ) -> Sent:
        """The set of a packing: the one that was begun under the packing's SHA-256, else a new one with the next
        sequence.

        `issuer` is the id of this store's ledger, `manifest` the SHA-256 of the manifest it is made from, `at` now.
        """
        with self._changing():
            for sent in self.sent():
                if sent.packing == packing:
                    return sent
            sequence = max((number for _, number, _ in self._names(_SENT)), default=0) + 1
            begun = Sent(
                set_id=os.urandom(8).hex(),
                sequence=sequence,
                issuer=issuer,
                packing=packing,
                platform=platform,
                meant_for=meant_for,
                volumes=volumes,
                manifest=manifest,
                begun=at,
            )
            self._write((*_SENT, _name(sequence, begun.set_id)), RECORD, write_sent(begun))
            return begun

    def wrote(self, sent: Sent, volume: int, at: datetime) -> Sent:
        """Record that a volume was written and verified; returns the set's record as it is now."""
        with self._changing():
            path = (*_SENT, _name(sent.sequence, sent.set_id))
            now = read_sent(self._read(path, RECORD), self._where(path))
            now = replace(now, written={**now.written, volume: at})
            self._write(path, RECORD, write_sent(now))
            return now

    def keep_sent_index(self, sent: Sent, index: bytes, signature: bytes) -> None:
        """Keep the index of a set as it was signed: later volumes of the set carry these very bytes; then its digests.

        Raises RefusedError when another one was kept before, too.
        """
        with self._changing():
            path = (*_SENT, _name(sent.sequence, sent.set_id))
            if not self._insist_on_index(path, index):
                self._keep_index(path, index, signature)
                now = read_sent(self._read(path, RECORD), self._where(path))
                self._write(path, RECORD, write_sent(replace(now, kept=digests_of(index, signature))))

    def folder_of(self, sent: Sent) -> str:
        """The folder of a set that was sent, for people."""
        return str(self._store.root.joinpath(*_SENT, _name(sent.sequence, sent.set_id)))

    def sent_index(self, sent: Sent) -> tuple[bytes, bytes] | None:
        """The index of a set and its signature; None where it was not made yet."""
        return self._index((*_SENT, _name(sent.sequence, sent.set_id)))

    # Sets that this store received

    def received(self, issuer: str = "") -> tuple[ReceivedSet, ...]:
        """The sets of which something was received, by issuer and sequence; of one issuer or of all."""
        issuers = [issuer] if issuer else [name for name in self._list(_RECEIVED) if _ISSUER.fullmatch(name)]
        return tuple(
            self._received((*_RECEIVED, issuer_id, name))
            for issuer_id in sorted(issuers)
            for name, _, _ in self._names((*_RECEIVED, issuer_id))
            if self._begun((*_RECEIVED, issuer_id, name))
        )

    def known(self, issuer: str) -> tuple[tuple[int, str], ...]:
        """Sequence and set id of every set of the issuer of which something was received, its folder renamed or not."""
        return tuple((number, set_id) for _, number, set_id in self._names((*_RECEIVED, issuer)))

    def receive(self, received: ReceivedSet, index: bytes, signature: bytes) -> None:
        """Record that receiving a set began: its record, and its index as it was signed.

        Raises RefusedError when another index was kept under the same id before, too.
        """
        with self._changing():
            path = self.path_of(received)
            self._insist_on_index(path, index)
            if self._begun(path):
                received = replace(received, receipts=self._received(path).receipts)
            self._write(path, RECORD, write_received(received))
            self._keep_index(path, index, signature)

    def update(self, received: ReceivedSet) -> None:
        """Replace the record of a set that is being received, inside `receiving`; its receipts stay as they are."""
        with self._changing():
            received = replace(received, receipts=self._received(self.path_of(received)).receipts)
            self._write(self.path_of(received), RECORD, write_received(received))

    def receipt_written(self, received: ReceivedSet, at: datetime, count: int) -> None:
        """Record that a receipt of a set was written, after `count` events; nothing else of its record changes."""
        with self._changing():
            now = self._received(self.path_of(received))
            self._write(
                self.path_of(received), RECORD, write_received(replace(now, receipts=(*now.receipts, (at, count))))
            )

    def received_index(self, received: ReceivedSet) -> tuple[bytes, bytes] | None:
        """The index of a received set and its signature."""
        return self._index(self.path_of(received))

    def keep_small(self, received: ReceivedSet, sha256: str, data: bytes) -> None:
        """Keep a small file of a set, a signature or a notice, until what it belongs to is whole."""
        path = (*self.path_of(received), "kept")
        if sha256 not in self._list(path):
            self._write(path, sha256, data)

    def kept(self, received: ReceivedSet, sha256: str) -> bytes | None:
        """A small file that was kept; None where there is none with these bytes."""
        path = (*self.path_of(received), "kept")
        if sha256 not in self._list(path):
            return None
        data = self._read(path, sha256, limits.SET_INDEX_BYTES)
        return data if hashlib.sha256(data).hexdigest() == sha256 else None

    @contextmanager
    def receiving(self, *, wait_s: float = 0.0, stop: Stop | None = None) -> Iterator[None]:
        """Be the only process that receives into this store. Raises LockedError, StoppedError too."""
        where = str(self._store.root / KEEPER / FOLDER)
        with files.wrapped("nothing can be received", where):
            with self._home((KEEPER, FOLDER)) as home:
                fd = _lock_file(home, "receiving")
            try:
                until = time.monotonic() + wait_s
                while not _locked(fd):
                    if stop is not None:
                        stop.check()
                    if time.monotonic() >= until:
                        raise LockedError(
                            "another process is receiving into this store", hint="wait for it to end", where=where
                        )
                    time.sleep(0.05)
                yield
            finally:
                os.close(fd)

    def path_of(self, received: ReceivedSet) -> tuple[str, ...]:
        """The set's folder, as names below the store's root; small files wait in it."""
        return (KEEPER, FOLDER, "received", received.issuer, _name(received.sequence, received.set_id))

    # Receipts that came back

    def keep_receipt(self, set_id: str, sha256: str, data: Iterable[bytes], signature: bytes) -> bool:
        """Keep a receipt that was read here, piece by piece; False where it was kept before.

        Raises InputError for what is no id of a set or no SHA-256, and what iterating over `data` raises; then nothing
        is kept.
        """
        if not re.fullmatch(r"[0-9a-f]{16}", set_id) or not re.fullmatch(r"[0-9a-f]{64}", sha256):
            raise InputError("a receipt has the id of a set and a SHA-256")
        name = f"{set_id}-{sha256[:16]}.json"
        with self._changing():
            if name in self._list(_RECEIPTS):
                return False
            if signature:
                self._write(_RECEIPTS, name + ".sig", signature)
            self._write(_RECEIPTS, name, data)  # last: where it is, its signature is, too
            return True

    def receipts(self) -> dict[str, tuple[str, ...]]:
        """The names of the kept receipts by the id of their set."""
        names_of: dict[str, list[str]] = {}
        for name in self._list(_RECEIPTS):
            if re.fullmatch(r"[0-9a-f]{16}-[0-9a-f]{16}\.json", name):
                names_of.setdefault(name[:16], []).append(name)
        return {set_id: tuple(sorted(names)) for set_id, names in names_of.items()}

    def receipt(self, name: str) -> bytes:
        """The bytes of a kept receipt."""
        return self._read(_RECEIPTS, name, limits.SET_INDEX_BYTES)

    def receipt_head(self, name: str, limit: int) -> bytes:
        """The first line of a kept receipt, or its first `limit` bytes and one more where the line is longer."""
        where = str(self._store.root.joinpath(*_RECEIPTS, name))
        with (
            files.wrapped("a kept receipt cannot be read", where),
            files.folder(self._store.fd, _RECEIPTS) as home,
            files.regular(home, name) as fd,
            os.fdopen(os.dup(fd), "rb") as stream,
        ):
            return stream.readline(limit + 1)

    # The files

    def _begun(self, path: tuple[str, ...]) -> bool:
        """False for a folder that the user renamed, and for one whose process was killed before its record was
        there."""
        return not path[-1].endswith(DAMAGED) and any(not name.startswith(_TEMP) for name in self._list(path))

    def _received(self, path: tuple[str, ...]) -> ReceivedSet:
        return read_received(self._read(path, RECORD), self._where(path))

    def _where(self, path: tuple[str, ...]) -> str:
        return str(self._store.root.joinpath(*path, RECORD))

    def _names(self, path: tuple[str, ...]) -> list[tuple[str, int, str]]:
        """Name, sequence and id of the sets' folders, by sequence."""
        found = [(name, match) for name in self._list(path) if (match := _NAME.fullmatch(name))]
        return sorted(((name, int(m[1]), m[2]) for name, m in found), key=lambda row: (row[1], row[0]))

    def _list(self, path: tuple[str, ...]) -> list[str]:
        with files.wrapped("the records of media sets cannot be read", str(self._store.root.joinpath(*path))):
            try:
                with files.folder(self._store.fd, path) as home:
                    return sorted(os.listdir(home))
            except FileNotFoundError:
                return []

    def _read(self, path: tuple[str, ...], name: str, limit: int = limits.SET_RECORD_BYTES) -> bytes:
        where = str(self._store.root.joinpath(*path, name))
        with files.wrapped("the record of a media set cannot be read", where):
            try:
                with files.folder(self._store.fd, path) as home:
                    return files.read_bounded(home, name, limit)
            except (FileNotFoundError, RefusedError) as error:
                message = "it is not there" if isinstance(error, FileNotFoundError) else error.message
                raise damaged(message, where) from error

    def _index(self, path: tuple[str, ...]) -> tuple[bytes, bytes] | None:
        with files.wrapped("a set's index cannot be read", str(self._store.root.joinpath(*path, INDEX))):
            try:
                with files.folder(self._store.fd, path) as home:
                    index = files.read_bounded(home, INDEX, limits.SET_INDEX_BYTES)
                    return index, files.read_bounded(home, SIGNATURE, limits.SIGNATURE_BYTES)
            except FileNotFoundError:
                return None

    def _insist_on_index(self, path: tuple[str, ...], index: bytes) -> bool:
        """True when this very index is kept already. Raises RefusedError when another one is."""
        kept = self._index(path)
        if kept is not None and kept[0] != index:
            raise RefusedError(
                "another index is kept under the id of this set",
                where=str(self._store.root.joinpath(*path, INDEX)),
                hint="one of the two is not from the set's maker: ask the maker for the SHA-256 of theirs",
            )
        return kept is not None

    def _keep_index(self, path: tuple[str, ...], index: bytes, signature: bytes) -> None:
        if not self._insist_on_index(path, index):
            self._write(path, SIGNATURE, signature)
            self._write(path, INDEX, index)  # last: where it is, its signature is, too

    def _write(self, path: tuple[str, ...], name: str, data: bytes | Iterable[bytes]) -> None:
        where = str(self._store.root.joinpath(*path, name))
        with files.wrapped("the record of a media set cannot be written", where), self._home(path) as home:
            files.replace(home, name, data, prefix=_TEMP)

    @contextmanager
    def _home(self, path: tuple[str, ...]) -> Iterator[int]:
        """An open folder of ours; it is made, and synced, only where it is absent."""
        try:
            fd = files.open_folder(self._store.fd, path)
        except FileNotFoundError:
            fd = files.open_folder(self._store.fd, path, create=True, mode=files.PRIVATE_FOLDER)
        try:
            yield fd
        finally:
            os.close(fd)

    @contextmanager
    def _changing(self) -> Iterator[None]:
        """Be the only process that changes anything here."""
        where = str(self._store.root / KEEPER / FOLDER)
        with files.wrapped("the records of media sets cannot be changed", where):
            with self._home((KEEPER, FOLDER)) as home:
                fd = _lock_file(home, "lock")
            try:
                fcntl.flock(fd, fcntl.LOCK_EX)  # for some milliseconds at a time
                yield
            finally:
                os.close(fd)


def digests_of(index: bytes, signature: bytes) -> tuple[str, str]:
    """The SHA-256 of an index and of its signature, as `Sent.kept` has them."""
    return hashlib.sha256(index).hexdigest(), hashlib.sha256(signature).hexdigest()


_SENT = (KEEPER, FOLDER, "sent")
_RECEIVED = (KEEPER, FOLDER, "received")
_RECEIPTS = (KEEPER, FOLDER, "receipts")


def _name(sequence: int, set_id: str) -> str:
    return f"{sequence:06d}-{set_id}"


def _lock_file(home: int, name: str) -> int:
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    return os.open(name, flags, files.PRIVATE_FILE, dir_fd=home)


def _locked(fd: int) -> bool:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
