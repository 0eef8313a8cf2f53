"""Whether a file's signature is good: the trust list, the manifest and the bytes, joined to findings.

Rules: the trust entry decides form, namespace, purpose and dates; the form that the manifest states is only compared;
a key for one purpose is never good for another; nothing is good but by a signature that verified here under a live
entry; what could not be looked at is `not-checked`, which is never good; every message that depends on a time names it.
The digests come from the one read that the caller made anyway; `needed_algorithms` gives their names before that read.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.model.trust import FORMS, TrustEntry, TrustMoment
from bundlekeeper.verification.encodings.refusals import NotCheckedError, SignatureError
from bundlekeeper.verification.keys import certificates
from bundlekeeper.verification.keys.entries import anchors_of, key_of
from bundlekeeper.verification.keys.public_key import read_certificate
from bundlekeeper.verification.signatures import forms, minisign, sshsig
from bundlekeeper.verification.signatures.message import WholeMessage, same_chunks, same_whole


class Statement(Protocol):
    """What the manifest states about a signature; `model.manifest.types.Signature` is one."""

    @property
    def file(self) -> str:
        """The signature file's name."""

    @property
    def form(self) -> str:
        """The form that the manifest names."""

    @property
    def key(self) -> str:
        """The name of the trust entry."""


@dataclass(frozen=True, slots=True)
class SignatureEvidence:
    """What is known of the message's bytes.

    `digests` maps hashlib's names to hexadecimal, all from one read. `whole` gives the whole message, for the forms
    that need more than a digest, up to a limit in bytes; `chunks` gives it piece by piece. Both are compared with the
    SHA-256 in `digests` where it is there (`signatures.message` makes both from an open file).
    """

    digests: Mapping[str, str]
    whole: WholeMessage | None = None
    chunks: Callable[[], Iterable[bytes]] | None = None
    whole_limit_bytes: int = limits.WHOLE_MESSAGE_BYTES

    def same_whole(self) -> WholeMessage | None:
        """`whole`, compared with the first read."""
        sha256 = self.digests.get("sha256")
        return same_whole(self.whole, sha256) if self.whole and sha256 else self.whole

    def same_chunks(self) -> Iterable[bytes] | None:
        """The pieces of `chunks`, compared with the first read."""
        sha256 = self.digests.get("sha256")
        pieces = self.chunks() if self.chunks else None
        return same_chunks(pieces, sha256) if pieces is not None and sha256 else pieces


@dataclass(frozen=True, slots=True)
class Verdict:
    """The result of judging one signature; `by` is the entry that it is good under, None unless it is good.

    `message` is the one sentence that a report may print about a good signature.
    """

    findings: tuple[Finding, ...] = ()
    by: TrustEntry | None = None
    message: str = ""

    @property
    def good(self) -> bool:
        """True only when the signature verified under a live entry and nothing is wrong with it."""
        return self.by is not None


@dataclass(slots=True)
class _Judgement:
    """One signature under one entry, while it is judged."""

    subject: str
    entry: TrustEntry
    purpose: str
    moments: Sequence[TrustMoment]
    evidence: SignatureEvidence
    allowed_forms: Sequence[str]
    removed: Mapping[str, str]
    found: list[Finding] = field(default_factory=list)
    notes: list[Finding] = field(default_factory=list)

    def add(self, code: str, message: str, hint: str = "") -> None:
        """Add a finding that makes the signature not good."""
        self.found.append(finding(code, self.subject, message, hint))


def needed_algorithms(entry: TrustEntry, signature: bytes | None = None) -> tuple[str, ...]:
    """Which digests (hashlib's names) the one read must compute so that `judge` needs no second one.

    With the signature's bytes the answer is exact; without, it covers every signature that the form allows. Empty for
    the forms that need the message itself. Raises nothing.
    """
    if entry.form in forms.FORM_DIGEST:
        return (forms.FORM_DIGEST[entry.form],)
    if entry.form == "sshsig":
        try:
            return sshsig.HASHES if signature is None else (sshsig.parse(signature).hash_algorithm,)
        except SignatureError:
            return ()
    if entry.form == "minisign":
        try:
            return (minisign.DIGEST,) if signature is None or minisign.parse(signature).prehashed else ()
        except SignatureError:
            return ()
    return ()


def judge(
    subject: str,
    statement: Statement | None,
    signature: bytes | None,
    *,
    trust: Sequence[TrustEntry],
    evidence: SignatureEvidence,
    moments: Sequence[TrustMoment],
    purpose: str = "bundles",
    allowed_forms: Sequence[str] = FORMS,
) -> Verdict:
    """Judge a detached signature that a manifest states, such as a bundle's.

    `signature` is None where its file is not there. `moments` (at least one) are the times at which the key must be
    valid. `allowed_forms` are the forms that the store allows (model.store_settings).
    Raises InputError for no moments; everything about the signature itself is a finding.
    """
    _require_moments(moments)
    if statement is None:
        return _only("unsigned", subject, "the manifest states no signature")
    if signature is None:
        return _only("unsigned", subject, f"the signature {statement.file} is not there", "bring it beside the file")
    entry = next((e for e in trust if e.name == statement.key), None)
    if entry is None:
        return _only(
            "unknown-key",
            subject,
            f"the manifest names the key {statement.key}, which this store does not trust",
            _to_trust(shlex.quote(statement.key), statement.form, purpose),
        )
    judgement = _Judgement(subject, entry, purpose, moments, evidence, allowed_forms, _removed_keys(trust))
    if statement.form != entry.form:
        judgement.add(
            "bad-signature",
            f"the manifest names the form {statement.form}, but {entry.name} is trusted for {entry.form} only",
            "the trust entry decides; correct the manifest, or add the key again with the right --form",
        )
    return _judged(judgement, signature, trust)


def judge_document(
    subject: str,
    signature: bytes | None,
    *,
    trust: Sequence[TrustEntry],
    evidence: SignatureEvidence,
    moments: Sequence[TrustMoment],
    purpose: str,
    allowed_forms: Sequence[str] = FORMS,
) -> Verdict:
    """Judge a document of ours (a manifest, an index, a receipt), whose signature file states no entry's name.

    The entry is the one whose key is in the SSHSIG file; a signature of another form is tried with every entry that
    has this purpose alone. Raises InputError for no moments.
    """
    _require_moments(moments)
    if signature is None:
        return _only("unsigned", subject, "it carries no signature", "bundlekeeper manifest sign makes one")
    if signature.startswith(sshsig.BEGIN):
        entry = _holder(subject, signature, trust, purpose)
        if isinstance(entry, Verdict):
            return entry
        judgement = _Judgement(subject, entry, purpose, moments, evidence, allowed_forms, _removed_keys(trust))
        return _judged(judgement, signature, trust)
    tried: list[Verdict] = []
    for entry in trust:
        if entry.form != "sshsig" and entry.purposes == (purpose,):
            judgement = _Judgement(subject, entry, purpose, moments, evidence, allowed_forms, _removed_keys(trust))
            verdict = _judged(judgement, signature, trust)
            if verdict.good:
                return verdict
            tried.append(verdict)
    if len(tried) == 1:
        return tried[0]
    fitting = [v for v in tried if not any(f.code in ("bad-signature", "unknown-key") for f in v.findings)]
    if fitting:
        return fitting[0]
    return _only("bad-signature", subject, f"no key that is trusted for {purpose} made this signature")


def _to_trust(name: str, form: str, purpose: str) -> str:
    command = f"bundlekeeper trust add {name} KEY.pub --form {form} --for {purpose}"
    return f"compare the fingerprint through another channel, then: {command}"


def _holder(subject: str, signature: bytes, trust: Sequence[TrustEntry], purpose: str) -> TrustEntry | Verdict:
    """The entry whose key is in the SSHSIG file, best a live one for this purpose; else the verdict."""
    try:
        key = sshsig.parse(signature).key()
    except (InputError, RefusedError) as e:
        return _only("bad-signature", subject, e.message, e.hint)
    holders = [entry for entry in trust if entry.form == "sshsig" and entry.key == key.der]
    fitting = [entry for entry in holders if purpose in entry.purposes]
    if not holders:
        message = f"signed by a key that this store does not trust: {key.fingerprint}"
        return _only(
            "unknown-key",
            subject,
            message,
            _to_trust("NAME", "sshsig", purpose),
        )
    live = [entry for entry in fitting if not entry.removed]
    return (live or fitting or holders)[0]


def _judged(judgement: _Judgement, signature: bytes, trust: Sequence[TrustEntry]) -> Verdict:
    """Look at everything about one signature under one entry; no finding hides another."""
    entry = judgement.entry
    if judgement.purpose not in entry.purposes:
        message = f"{entry.name} is trusted for {' and '.join(entry.purposes)}, not for {judgement.purpose}"
        judgement.add("unknown-key", message, "a key for one kind of document is never good for another")
    if entry.removed:
        judgement.add("removed-key", _removal(entry), "sign again with a live key")
    elif entry.fingerprint in judgement.removed:
        message = f"{entry.name} is of a key that is no longer trusted: {judgement.removed[entry.fingerprint]}"
        judgement.add("removed-key", message, "sign again with a live key")
    if entry.form not in judgement.allowed_forms:
        message = f"this store allows no signatures of the form {entry.form}"
        judgement.add("bad-signature", message, f"store.toml allows {', '.join(judgement.allowed_forms)}")
    _dates(judgement)
    if any(f.code == "bad-signature" for f in judgement.found):
        return Verdict(tuple(judgement.found))  # of a form that is not allowed: it is not verified
    try:
        _verify(judgement, signature)
    except SignatureError as e:
        judgement.add(e.code, _with_owner(e, entry, signature, trust), e.hint)
    except (InputError, RefusedError) as e:
        judgement.add("bad-signature", f"{entry.name}: {e.message}", e.hint)
    if judgement.found:
        return Verdict((*judgement.found, *judgement.notes))
    at = " and at ".join(str(moment) for moment in judgement.moments)
    return Verdict(
        tuple(judgement.notes), entry, f"signed by {entry.name} ({entry.fingerprint}, {entry.form}), good at {at}"
    )


def _dates(judgement: _Judgement) -> None:
    entry = judgement.entry
    for moment in judgement.moments:
        day = moment.at.date()
        if entry.valid_from is not None and day < entry.valid_from:
            judgement.add("expired-key", f"{entry.name} is valid from {entry.valid_from}; the time used is {moment}")
        if entry.valid_until is not None and day > entry.valid_until:
            judgement.add("expired-key", f"{entry.name} was valid until {entry.valid_until}; the time used is {moment}")


def _verify(judgement: _Judgement, signature: bytes) -> None:
    """Verify by the entry's form; returning means that the bytes are good."""
    entry, evidence = judgement.entry, judgement.evidence
    if entry.form == "cms":
        _verify_cms(judgement, signature)
        return
    key = key_of(entry)
    if entry.form == "sshsig":
        namespace = entry.namespace_for(judgement.purpose)
        sshsig.verify(sshsig.parse(signature), key=key, namespace=namespace, digests=evidence.digests, name=entry.name)
    elif entry.form == "minisign":
        minisign.verify(
            minisign.parse(signature),
            key=key,
            digests=evidence.digests,
            whole=evidence.same_whole(),
            whole_limit_bytes=evidence.whole_limit_bytes,
            name=entry.name,
        )
    else:
        forms.verify(
            entry.form,
            key,
            signature,
            digests=evidence.digests,
            whole=evidence.same_whole(),
            whole_limit_bytes=evidence.whole_limit_bytes,
        )
    if entry.certificate:
        _check_certificate(judgement)


def _verify_cms(judgement: _Judgement, signature: bytes) -> None:
    """CMS: openssl verifies the bytes, our rules the signer's certificate, up to the entry's roots."""
    from bundlekeeper.verification.signatures import cms

    entry, evidence = judgement.entry, judgement.evidence
    chunks = evidence.same_chunks()
    if chunks is None:
        raise NotCheckedError("a CMS signature needs the message itself, which is not available")
    anchors = _anchors(judgement)
    if not anchors.roots:  # the one certificate is trusted as it is: it is its own end of the chain
        anchors = replace(anchors, roots=(read_certificate(entry.certificate),))
    parsed = cms.parse(signature)
    notes = cms.verify(parsed, chunks, anchors=anchors, pinned=entry.certificate, moments=judgement.moments)
    _note(judgement, notes)


def _check_certificate(judgement: _Judgement) -> None:
    """The certificate that the entry's key came in: its dates, and its chain where the entry has roots."""
    leaf = read_certificate(judgement.entry.certificate)
    anchors = _anchors(judgement)
    for moment in judgement.moments:
        if anchors.roots:
            _note(judgement, certificates.check_chain(leaf, anchors, moment))
        else:
            certificates.check_dates(leaf, moment)


def _anchors(judgement: _Judgement) -> certificates.Anchors:
    """The entry's roots and what goes with them; its own key, if removed, is reported already."""
    others = {key: message for key, message in judgement.removed.items() if key != judgement.entry.fingerprint}
    return replace(anchors_of(judgement.entry), removed=others)


def _removed_keys(trust: Sequence[TrustEntry]) -> dict[str, str]:
    """Every key that was removed, under whatever name: fingerprint to a sentence."""
    return {entry.fingerprint: _removal(entry) for entry in trust if entry.removed}


def _removal(entry: TrustEntry) -> str:
    return f"{entry.name} was removed on {entry.removed_at:%Y-%m-%d}: {entry.removed_reason}"


def _note(judgement: _Judgement, messages: Iterable[str]) -> None:
    """Add the notes on a good chain: a note makes nothing bad and changes no exit status."""
    for message in messages:
        if all(note.message != message for note in judgement.notes):
            judgement.notes.append(finding("not-checked", judgement.subject, message, level=Level.NOTE))


def _with_owner(error: SignatureError, entry: TrustEntry, signature: bytes, trust: Sequence[TrustEntry]) -> str:
    """The error's message, and the key's name where this store knows it."""
    if error.code != "unknown-key" or entry.form != "sshsig":
        return error.message
    try:
        der = sshsig.parse(signature).key().der
    except (InputError, RefusedError):
        return error.message
    owner = next((e for e in trust if e.key == der), None)
    if owner is None:
        return error.message
    removed = f", removed on {owner.removed_at:%Y-%m-%d}" if owner.removed else ""
    return f"{error.message}; that key is {owner.name}{removed}"


def _only(code: str, subject: str, message: str, hint: str = "") -> Verdict:
    return Verdict((finding(code, subject, message, hint),))


def _require_moments(moments: Sequence[TrustMoment]) -> None:
    if not moments:
        raise InputError("a signature is judged at a time, and none was given")
