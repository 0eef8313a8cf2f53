"""Whether a store vouches for a manifest or a bundle: its trust list, its store.toml and a signature, joined.

Rules: the store's owner decides whom it trusts and what it requires, no manifest and no medium does; cryptography is
imported only once there is a signature to look at; a signature that does not verify is always an error, anything else
that is not good is one where the store asks for signatures, and a warning elsewhere; what could not be looked at is
`not-checked` and never good; an entry of the trust list that cannot be read trusts nobody, and is reported.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import field, replace
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING

from bundlekeeper.errors import KeeperError, RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.trust import FORMS, TrustMoment
from bundlekeeper.store.database import kept_manifests
from bundlekeeper.store.database.rows import Admitted, Stated
from bundlekeeper.store.disk import files
from bundlekeeper.store.signatures.sidecar_files import ABSENT, SUFFIX, SignatureFile, in_store

if TYPE_CHECKING:
    from bundlekeeper.model.store_settings import StoreSettings
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.signatures.trust_list import TrustList
    from bundlekeeper.verification.signatures.judge import SignatureEvidence, Verdict

SETTINGS = "store.toml"
GOOD, NOT_STATED = "good", "not stated"
_DOCUMENT_DIGESTS = ("sha256", "sha384", "sha512", "blake2b")  # all that any form is verified from


@dataclass(frozen=True, slots=True)
class Message:
    """What is known of the signed bytes: digests of one full read, by hashlib's names, and ways to read them again.

    `again` gives a descriptor for a second read, which the caller closes; None where no second read may be made. It is
    used only by the forms that need more than a digest, and its bytes are compared with the first read's SHA-256.
    """

    digests: Mapping[str, str] = field(default_factory=dict)
    again: Callable[[], int] | None = None


@dataclass(frozen=True, slots=True)
class Ruling:
    """The ruling on one signature: `word` is "good", "not stated", or the code of what is wrong with it.

    `blocks` is True where the signed file may not be used: the signature is bad, or this store requires a good one.
    """

    word: str = NOT_STATED
    findings: tuple[Finding, ...] = ()
    blocks: bool = False
    message: str = ""
    signed_by: str = ""
    signed_key: str = ""

    @property
    def good(self) -> bool:
        """True only when a signature verified under a live entry and nothing is wrong with it."""
        return self.word == GOOD

    @property
    def bad(self) -> bool:
        """True when the signature does not verify."""
        return any(problem.code == "bad-signature" for problem in self.findings)

    def as_json(self) -> dict[str, str]:
        """The ruling on a manifest as the JSON envelope carries it."""
        return {"state": self.word, "by": self.signed_by, "fingerprint": self.signed_key, "message": self.message}


NO_RULING = Ruling()


def read_settings(root_fd: int) -> StoreSettings | None:
    """The store's store.toml, None where there is none.

    Raises InputError with every problem, RefusedError when it is no regular file, UnfinishedError.
    """
    with files.wrapped("the store's settings cannot be read", SETTINGS):
        try:
            data = files.read_bounded(root_fd, SETTINGS, limits.STORE_SETTINGS_BYTES)
        except FileNotFoundError:
            return None
    from bundlekeeper.model.store_settings import read_settings as read

    return read(data)


class Voucher:
    """Rules on signatures for one store at one time.

    `trust` gives the store's trust list when it is first needed; None where there is no store.
    """

    def __init__(self, settings: StoreSettings | None, trust: Callable[[], TrustList] | None, now: datetime) -> None:
        self.settings = settings
        self._read_trust = trust
        self._now = now
        self._trust: TrustList | None = None

    @classmethod
    def of(cls, store: Store | None, now: datetime, admitted: Sequence[Admitted] | None = None) -> Voucher:
        """The voucher of an open store, or one without a store; `admitted` are the store's manifests.

        Raises as `read_settings`.
        """
        if store is None:
            return cls(None, None, now)
        from bundlekeeper.store.contents.manifest_dates import latest
        from bundlekeeper.store.signatures import trust_list

        moment = not_before(store, now) if admitted is None else latest(admitted, now)
        return cls(read_settings(store.fd), lambda: trust_list.read_all(store.fd), moment)

    def requires(self, family: str) -> bool:
        """True when this store requires signed bundles of this family."""
        return self.settings is not None and self.settings.needs_signature(family)

    @property
    def requires_signed_manifests(self) -> bool:
        """True when this store requires signed manifests."""
        return self.settings is not None and self.settings.signed_manifests

    @property
    def max_verification_age_s(self) -> int | None:
        """How old a verification may be, in seconds; None for no limit."""
        return self.settings.max_verification_age_s if self.settings is not None else None

    @property
    def can_look(self) -> bool:
        """False where there is no store, hence no trust list."""
        return self._read_trust is not None

    def concerns(self, family: str, stated: Stated | None) -> bool:
        """True when there is something to rule on: a signature is stated or required."""
        return stated is not None or self.requires(family)

    def algorithms(self, stated: Stated | None, signature: SignatureFile) -> tuple[str, ...]:
        """Which digests beyond SHA-256 the one read must compute for `rule`. Raises as reading the trust list."""
        if stated is None or signature.data is None or not self.can_look:
            return ()
        entry = next((entry for entry in self._list().entries if entry.name == stated.key), None)
        if entry is None:
            return ()
        from bundlekeeper.verification.signatures.judge import needed_algorithms

        return tuple(name for name in needed_algorithms(entry, signature.data) if name != "sha256")

    def early_ruling(self, subject: str, family: str, stated: Stated | None, signature: SignatureFile) -> Ruling | None:
        """The ruling where it is certain without the bundle's bytes that it will not be good; None otherwise."""
        known = self.can_look and stated is not None and any(entry.name == stated.key for entry in self._list().entries)
        if known and signature.data is not None:
            return None
        return self.rule(subject, family, stated, signature, Message(), None)

    def rule(
        self,
        subject: str,
        family: str,
        stated: Stated | None,
        signature: SignatureFile,
        message: Message,
        released: date | None,
    ) -> Ruling:
        """Rule on a bundle's signature; `released` is the release date that the manifest states.

        Raises UnfinishedError or RefusedError when the trust list cannot be looked at; all else is a finding.
        """
        required = self.requires(family)
        if stated is None:
            if not required:
                return NO_RULING
            reason = "the manifest states no signature, but this store requires signed bundles of this family"
            return self._against(
                finding("unsigned", subject, reason, "ask whoever wrote the manifest"), required=required
            )
        if not self.can_look:
            reason = "its signature was not looked at: there is no store here, so no trust list"
            return self._against(
                finding("not-checked", subject, reason, "name the store with --store"), required=required
            )
        if signature.trouble:
            hint = "bring the signature's file itself beside the bundle"
            return self._against(finding(signature.code, subject, signature.trouble, hint), required=required)
        broken = self._broken(stated.key)
        if broken is not None:
            reason = f"the trust entry {stated.key} cannot be read, so the signature was not verified: {broken.message}"
            return self._against(finding("not-checked", subject, reason, broken.hint), required=required)
        from bundlekeeper.verification.signatures import judge as verdict

        found = verdict.judge(
            subject,
            stated,
            signature.data,
            trust=self._list().entries,
            evidence=self._evidence(message),
            moments=self._moments(released),
            allowed_forms=self._forms(),
        )
        return self._ruling(found, required)

    def rule_manifest(
        self, subject: str, data: bytes, signature: bytes | None, *, issued: date, at: datetime | None = None
    ) -> Ruling:
        """Rule on a manifest's signature; `at` is when it was admitted (None: now).

        Raises UnfinishedError or RefusedError when the trust list cannot be looked at; all else is a finding.
        """
        if signature is None and not self.requires_signed_manifests:
            return NO_RULING
        if not self.can_look:
            message = "its signature was not looked at: there is no store here, so no trust list"
            return self._against(
                finding("not-checked", subject, message, "name the store with --store"), required=False
            )
        from bundlekeeper.verification.signatures import judge as verdict

        digests = digests_of(data)
        found = verdict.judge_document(
            subject,
            signature,
            trust=self._list().entries,
            evidence=verdict.SignatureEvidence(digests, lambda _limit: data, lambda: [data]),
            moments=(
                TrustMoment(_end_of(issued), "the date of issue that the manifest states"),
                TrustMoment(at or self._now, "the day it is admitted" if at is None else "the day it was admitted"),
            ),
            purpose="manifests",
            allowed_forms=self._forms(),
        )
        return self._ruling(found, required=self.requires_signed_manifests)

    def rule_kept(self, root_fd: int, admitted: Admitted) -> Ruling:
        """Rule again on the signature of a manifest that the store keeps, as of the day it was admitted.

        Keys that were removed or revoked since then are reported. Raises as `rule_manifest`.
        """
        signature = in_store(root_fd, admitted.place + SUFFIX)
        if signature is ABSENT and not self.requires_signed_manifests:
            return NO_RULING
        if signature.trouble:
            return self._against(
                finding(signature.code, admitted.place, signature.trouble), required=self.requires_signed_manifests
            )
        try:
            data = kept_manifests.bytes_of(root_fd, admitted)
        except KeeperError as error:
            message = f"its signature was not looked at: {error.message}"
            return self._against(
                finding("not-checked", admitted.place, message), required=self.requires_signed_manifests
            )
        at = admitted.admitted_at
        return self.rule_manifest(admitted.place, data, signature.data, issued=admitted.issued, at=at)

    def troubles(self) -> list[Finding]:
        """A finding for each entry of the trust list that cannot be read, where the list was read."""
        broken = self._trust.broken if self._trust is not None else ()
        message = "this entry of the trust list cannot be read, and trusts nobody"
        return [
            finding("not-checked", error.where or "trust list", f"{message}: {error.message}", error.hint)
            for error in broken
        ]

    def _list(self) -> TrustList:
        if self._trust is None:
            if self._read_trust is None:
                raise RefusedError("there is no trust list here")
            self._trust = self._read_trust()
        return self._trust

    def _broken(self, name: str) -> KeeperError | None:
        return next((error for error in self._list().broken if error.where.partition(".")[0] == name), None)

    def _forms(self) -> Sequence[str]:
        return self.settings.forms if self.settings is not None else FORMS

    def _moments(self, released: date | None) -> tuple[TrustMoment, ...]:
        """The release date that the manifest states; today as well where that is still to come, or not stated."""
        now = TrustMoment(self._now, "now, as the manifest states no release date" if released is None else "now")
        if released is None:
            return (now,)
        stated = TrustMoment(_end_of(released), "the release date that the manifest states")
        return (stated, now) if released > self._now.date() else (stated,)

    def _evidence(self, message: Message) -> SignatureEvidence:
        from bundlekeeper.store.signatures.second_read import chunks_again, whole_again
        from bundlekeeper.verification.signatures.judge import SignatureEvidence

        whole = whole_again(message.again) if message.again is not None else None
        chunks = chunks_again(message.again) if message.again is not None else None
        if self.settings is None:
            return SignatureEvidence(message.digests, whole, chunks)
        return SignatureEvidence(message.digests, whole, chunks, self.settings.max_whole_bytes)

    def _ruling(self, found: Verdict, required: bool) -> Ruling:
        if found.by is not None:
            return Ruling(GOOD, found.findings, False, found.message, found.by.name, found.by.fingerprint)
        return self._against(*found.findings, required=required)

    def _against(self, *found: Finding, required: bool) -> Ruling:
        """The ruling of findings, at least one of which makes the signature not good."""
        level = Level.ERROR if required else Level.WARNING
        weighed = tuple(
            problem if problem.code == "bad-signature" or problem.level is Level.NOTE else replace(problem, level=level)
            for problem in found
        )
        codes = [problem.code for problem in weighed if problem.level is not Level.NOTE]
        word = "bad-signature" if "bad-signature" in codes else codes[0]
        return Ruling(word, weighed, required or word == "bad-signature")


def digests_of(data: bytes) -> dict[str, str]:
    """Every digest that a signature of a document may be made from, by hashlib's names."""
    return {name: hashlib.new(name, data).hexdigest() for name in _DOCUMENT_DIGESTS}


def not_before(store: Store, now: datetime) -> datetime:
    """Now, or the newest admission that the store knows of: a clock set back must not make an expired key good.

    A store database that cannot be read is reported where it is opened next.
    """
    from bundlekeeper.store.contents.manifest_dates import latest

    with suppress(KeeperError), store.database(write=False) as database:
        return latest(database.admitted(), now)
    return now


def insist(ruling: Ruling, where: str) -> None:
    """Refuse a manifest that may not be used. Raises RefusedError with everything that is wrong with its signature."""
    if not ruling.blocks:
        return
    if ruling.bad:
        message, hint = "the manifest's signature is not good", "sign it again, or get it again from whoever signed it"
    else:
        message = "this store requires signed manifests, and no key that it trusts signed this one"
        hint = "to sign it: bundlekeeper manifest sign; to trust its signer: bundlekeeper trust add"
    raise RefusedError(message, hint=hint, where=where, problems=ruling.findings)


def _end_of(day: date) -> datetime:
    """A bare date means the end of that day."""
    return datetime.combine(day, time(23, 59, 59), UTC)
