"""Trust entries: making one from the bytes of files, and refusing what is weak or confused.

Rules: an entry is refused when it is made, with every reason at once, and checked again by the same code whenever it is
read; a name is used once, even after its entry was removed; one key is in one entry, however it is given, and a
removed one in none, not as a root either; a removed entry stays in the list; forms without a namespace have exactly one
purpose, so that a signature for one kind of document is never good for another.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from bundlekeeper.errors import InputError, KeeperError, RefusedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.formats.escape import meant
from bundlekeeper.formats.safe_names import collision_key
from bundlekeeper.model.trust import FORMS, NAMESPACES, PURPOSES, TrustEntry, TrustMoment
from bundlekeeper.verification.encodings.refusals import (
    ExpiredKeyError,
    NotCheckedError,
    RevokedKeyError,
    SignatureError,
    UnknownKeyError,
)
from bundlekeeper.verification.keys import certificates, minisign_key, revocation
from bundlekeeper.verification.keys.public_key import (
    PublicKey,
    checked,
    from_spki,
    read_certificate,
    read_public_key,
    require_type,
)

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_DEVICES = re.compile(r"(?i)con|prn|aux|nul|(com|lpt)[0-9]")


@dataclass(frozen=True, slots=True)
class Sources:
    """The bytes that an entry is made from: the key or certificate, and the certificates and lists of its chain."""

    key: bytes
    roots: Sequence[bytes] = ()
    intermediates: Sequence[bytes] = ()
    crls: Sequence[bytes] = ()


def make_entry(
    name: str,
    sources: Sources,
    *,
    form: str,
    purposes: Sequence[str],
    existing: Sequence[TrustEntry] = (),
    namespace: str = "",
    valid_from: date | None = None,
    valid_until: date | None = None,
    added_at: datetime | None = None,
    added_from: str = "",
) -> TrustEntry:
    """Make a trust entry, or refuse it with every reason at once.

    With `added_at`, a certificate under which nothing could ever be good is refused too; `doubts_of` gives the rest.
    Raises InputError for what cannot be read or does not exist, RefusedError for what can be read and must not be
    trusted; where both are true, RefusedError.
    """
    blank = TrustEntry(
        name,
        form,
        tuple(purpose for purpose in PURPOSES if purpose in purposes),
        "",
        "",
        namespace=namespace,
        valid_from=valid_from,
        valid_until=valid_until,
        added_at=added_at,
        added_from=added_from,
    )
    problems = problems_of_words(blank, purposes) + problems_of_name(name, existing)
    if len(added_from) > limits.TEXT_CHARACTERS:
        problems.append(InputError(f"where the key came from has more than {limits.TEXT_CHARACTERS} characters"))
    entry = blank
    try:
        entry = _with_key(blank, sources) if form in FORMS else blank
    except (InputError, RefusedError) as e:
        problems.append(e)
    problems += _problems_of_holder(entry, existing)
    problems += _first_look(entry, added_at)[0] if added_at is not None else []
    raise_all(name, problems)
    return entry


def doubts_of(entry: TrustEntry, at: datetime) -> tuple[Finding, ...]:
    """The findings on an entry on the day that it is added: expired, not valid yet, revoked, an open chain."""
    return tuple(_first_look(entry, at)[1])


def remove(entry: TrustEntry, *, at: datetime, reason: str) -> TrustEntry:
    """The entry as removed. Raises InputError without a reason, or when it was removed before."""
    if not reason.strip():
        raise InputError("to remove a key, give a reason", hint="a later finding removed-key quotes it: --reason")
    if len(reason) > limits.TEXT_CHARACTERS:
        raise InputError(f"the reason has more than {limits.TEXT_CHARACTERS} characters")
    if entry.removed:
        raise InputError(f"{entry.name} was removed on {entry.removed_at:%Y-%m-%d} already: {entry.removed_reason}")
    return replace(entry, removed_at=at, removed_reason=reason)


def with_crls(entry: TrustEntry, sources: Sequence[bytes]) -> TrustEntry:
    """The entry with newer revocation lists: a list replaces those of its issuer, the others stay.

    Raises InputError for what cannot be read, RefusedError for a list that is older than the one it would replace, and
    where the entry was removed or has no root that lists could lead to.
    """
    if entry.removed:
        raise RefusedError(f"{entry.name} was removed on {entry.removed_at:%Y-%m-%d}: {entry.removed_reason}")
    if not entry.roots:
        raise RefusedError(f"{entry.name} has no root, so it cannot use a revocation list")
    new = tuple(dict.fromkeys(der for data in sources for der in revocation.read_crls(data)))
    fresh = [revocation.load_crl(der) for der in new]
    kept = []
    for der in entry.crls:
        old = revocation.load_crl(der)
        successors = [crl for crl in fresh if crl.issuer == old.issuer]
        if any(crl.last_update_utc < old.last_update_utc for crl in successors):
            message = (
                f"a list of {old.issuer.rfc4514_string()[:120]} is older than the one of {old.last_update_utc:%Y-%m-%d}"
            )
            raise RefusedError(f"{message} that is here", hint="get its current list")
        if not successors:
            kept.append(der)
    if sum(map(len, (*kept, *new))) > limits.ENTRY_CRL_BYTES:
        raise InputError(f"the revocation lists take more than {limits.ENTRY_CRL_BYTES} bytes")
    return replace(entry, crls=(*kept, *new))


def key_of(entry: TrustEntry) -> PublicKey:
    """The entry's key, checked again as on the day it was added, and compared with the entry's own text.

    Raises InputError or RefusedError when the entry contradicts itself, or has no key of its own.
    """
    key = from_spki(entry.key)
    require_type(key.key_type, entry.form)
    if (key.key_type, key.fingerprint) != (entry.key_type, entry.fingerprint):
        raise RefusedError("the entry's key is not the one that its fingerprint names")
    return PublicKey(key.key_type, key.der, key.fingerprint, key.bits, entry.certificate, entry.key_id)


def anchors_of(entry: TrustEntry) -> certificates.Anchors:
    """The entry's roots, intermediates and lists, parsed and checked again. Raises InputError or RefusedError."""
    return certificates.load_anchors(entry.roots, entry.intermediates, entry.crls)


def check_whole(entry: TrustEntry) -> None:
    """Compare an entry's parts with each other and check them by today's rules. Raises InputError or RefusedError."""
    anchors = anchors_of(entry)
    if entry.key:
        key_of(entry)
    elif not anchors.roots or entry.form != "cms":
        raise InputError("the entry has neither a key nor a root")
    elif checked(read_certificate(entry.roots[0]).public_key()).fingerprint != entry.fingerprint:
        raise RefusedError("the entry's root is not the one that its fingerprint names")


def _first_look(entry: TrustEntry, at: datetime) -> tuple[list[KeeperError], list[Finding]]:
    """What is always wrong with an entry's certificate, and the findings on it at this time.

    Dates are only reported, as files dated within them stay good; the chain is judged on a day within the signer's.
    """
    found: list[Finding] = []
    anchors = anchors_of(entry)
    leaf = read_certificate(entry.certificate) if entry.certificate else None
    for certificate in (*([leaf] if leaf else []), *anchors.intermediates, *anchors.roots):
        try:
            certificates.check_dates(certificate, TrustMoment(at, "now"))
        except ExpiredKeyError as e:
            hint = "files dated within its days can be good; for others ask for its successor"
            found.append(finding(e.code, entry.name, e.message, hint, Level.WARNING))
    if leaf is None:
        return [], found
    if not (anchors.roots or entry.form == "cms"):  # only the key's wrapper, but not for another use
        try:
            certificates.check_named_use(leaf)
        except SignatureError as e:
            return [RefusedError(e.message, hint=e.hint)], found
        return [], found
    day = min(max(at, leaf.not_valid_before_utc), leaf.not_valid_after_utc)
    roots = anchors.roots or (leaf,)  # as the judge does: the one certificate is its own end of the chain
    try:
        certificates.check_chain(leaf, replace(anchors, roots=roots), TrustMoment(day, "a day within its dates"))
    except SignatureError as e:
        open_still = isinstance(e, UnknownKeyError) and entry.form == "cms"  # the signature may bring what is missing
        if open_still or isinstance(e, ExpiredKeyError | RevokedKeyError | NotCheckedError):
            reported = isinstance(e, ExpiredKeyError) and found
            found += [] if reported else [finding(e.code, entry.name, e.message, e.hint, Level.WARNING)]
        else:
            return [RefusedError(e.message, hint=e.hint)], found
    return [], found


def _with_key(blank: TrustEntry, sources: Sources) -> TrustEntry:
    """Read all that the entry consists of. Raises InputError or RefusedError at the first thing that is wrong."""
    roots = tuple(der for data in sources.roots for der in certificates.read_certificates(data))
    key = _read_key(blank.form, sources.key)
    is_root = blank.form == "cms" and _is_root(key)
    if is_root:
        roots = (key.certificate, *roots)
    for der in roots:
        certificates.require_root(der)
    if blank.form == "cms" and not key.certificate:
        raise RefusedError("the form cms needs a certificate", hint="the signer's own, or the root above it")
    if roots and not key.certificate:
        raise RefusedError("a bare key cannot use roots", hint="give the signer's certificate as the key")
    intermediates = tuple(der for data in sources.intermediates for der in certificates.read_certificates(data))
    crls = tuple(der for data in sources.crls for der in revocation.read_crls(data))
    if (intermediates or crls) and not roots:
        raise RefusedError("intermediates and revocation lists need a root", hint="add their root")
    if (
        sum(map(len, (*roots, *intermediates))) > limits.ENTRY_CERTIFICATES_BYTES
        or sum(map(len, crls)) > limits.ENTRY_CRL_BYTES
    ):
        raise InputError(
            f"the certificates take more than {limits.ENTRY_CERTIFICATES_BYTES} bytes, "
            f"or the lists more than {limits.ENTRY_CRL_BYTES}"
        )
    if not is_root:
        require_type(key.key_type, blank.form)
    return replace(
        blank,
        key_type=key.key_type,
        fingerprint=key.fingerprint,
        key=b"" if is_root else key.der,
        certificate=b"" if is_root else key.certificate,
        key_id=key.key_id,
        roots=roots,
        intermediates=intermediates,
        crls=crls,
    )


def _read_key(form: str, data: bytes) -> PublicKey:
    return minisign_key.read_public_key(data) if form == "minisign" else read_public_key(data)


def _is_root(key: PublicKey) -> bool:
    try:
        certificates.require_root(key.certificate) if key.certificate else None
    except (InputError, RefusedError):
        return False
    return bool(key.certificate)


def problems_of_words(entry: TrustEntry, purposes: Sequence[str]) -> list[KeeperError]:
    """Everything that is wrong with form, purposes, dates and namespace; `purposes` are as they were given."""
    found: list[KeeperError] = []
    if entry.form not in FORMS:
        found.append(InputError(f"there is no signature form {entry.form!r}", hint=meant(entry.form, FORMS)))
    for purpose in purposes:
        if purpose not in PURPOSES:
            found.append(InputError(f"there is no purpose {purpose!r}", hint=meant(purpose, PURPOSES)))
    if not purposes:
        found.append(InputError("an entry needs a purpose", hint=f"--for {' | '.join(PURPOSES)}"))
    if entry.valid_from and entry.valid_until and entry.valid_until < entry.valid_from:
        found.append(InputError("the key would be valid until before it is valid from"))
    if entry.form != "sshsig" and len(entry.purposes) > 1:
        found.append(
            RefusedError(
                f"{entry.form} signatures do not say what they are for, so such a key has one purpose only",
                hint="use a key for each purpose, or --form sshsig",
            )
        )
    if entry.namespace:
        found += _problems_of_namespace(entry)
    return found


def _problems_of_namespace(entry: TrustEntry) -> list[KeeperError]:
    if entry.form != "sshsig" or entry.purposes != ("bundles",):
        return [RefusedError("a namespace of its own is for --form sshsig --for bundles only")]
    if entry.namespace in NAMESPACES.values() and entry.namespace != NAMESPACES["bundles"]:
        return [RefusedError(f"the namespace {entry.namespace} is for another kind of document")]
    if not re.fullmatch(r"[!-~]{1,64}", entry.namespace):
        return [InputError("a namespace is 1 to 64 visible ASCII characters")]
    return []


def problems_of_name(name: str, existing: Sequence[TrustEntry]) -> list[KeeperError]:
    """What is wrong with an entry's name, which becomes the names of files."""
    if not _NAME.fullmatch(name) or _DEVICES.fullmatch(name):
        return [InputError(f"{name!r} cannot be an entry's name", hint="1 to 64 of A-Z a-z 0-9 _ -")]
    for other in existing:
        if collision_key(other.name) == collision_key(name):
            removed = f" (removed on {other.removed_at:%Y-%m-%d})" if other.removed else ""
            return [InputError(f"the name {other.name} is in use{removed}", hint="a name is used once; choose another")]
    return []


def _problems_of_holder(entry: TrustEntry, existing: Sequence[TrustEntry]) -> list[KeeperError]:
    """The same key may not be there twice: two names would look like two signers, and a removed key would come back.

    A renewed certificate of the same key may be added beside the old one, for the same use.
    """
    roots = root_keys(entry)
    for other in existing:
        same = bool(entry.fingerprint) and entry.fingerprint == other.fingerprint
        if other.removed and (same or other.fingerprint in roots):
            what = "this key" if same else "the key of a root"
            message = f"{what} was removed as {other.name} on {other.removed_at:%Y-%m-%d}: {other.removed_reason}"
            return [RefusedError(message, hint="a removed key cannot be added again: use a new one")]
        if same and not other.removed and not _renews(entry, other):
            hint = "a key has one name; only a renewed certificate of it may be added, for the same use"
            return [RefusedError(f"this key is trusted as {other.name} already", hint=hint)]
    return []


def root_keys(entry: TrustEntry) -> frozenset[str]:
    """The fingerprints of an entry's roots. Raises InputError or RefusedError for a root that is none."""
    return frozenset(checked(read_certificate(der).public_key()).fingerprint for der in entry.roots)


def _renews(entry: TrustEntry, other: TrustEntry) -> bool:
    """True for another certificate of the key, for the same forms and kinds of document."""
    certificate, older = (one.certificate or b"".join(one.roots[: not one.key]) for one in (entry, other))
    same_use = (entry.form, entry.purposes, entry.namespace) == (other.form, other.purposes, other.namespace)
    return bool(certificate and older) and certificate != older and same_use


def raise_all(name: str, problems: Sequence[KeeperError]) -> None:
    """Raises one error with every problem: RefusedError where one of them is, else InputError; nothing for none."""
    if not problems:
        return
    message = "; ".join(dict.fromkeys(error.message for error in problems))
    hint = "; ".join(dict.fromkeys(error.hint for error in problems if error.hint))
    kind = RefusedError if any(isinstance(error, RefusedError) for error in problems) else InputError
    raise kind(f"{name} cannot be trusted: {message}", hint=hint) from problems[0]
