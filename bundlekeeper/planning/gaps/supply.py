"""Gaps of what is to be carried in: is each bundle of the release there, verified, signed, and not withdrawn.

Rules: every family that the domain has, or may have, is asked for; a patch needs its bases too; what is in the store
counts by digest, never by name; a digest that nobody published verifies nothing; a signature is asked for where the
store's own policy requires one, whatever the manifest says, and one that was not looked at is reported.
Practice: one file per family, a wrong variant is a classic mistake, forgetting a family is the commonest gap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.findings import Level
from bundlekeeper.formats.durations import human
from bundlekeeper.formats.escape import some
from bundlekeeper.model.manifest.digest_origin import is_own_copy
from bundlekeeper.planning.fleet.manifest_index import near, suits
from bundlekeeper.planning.fleet.stock import SignatureState, StoredFile
from bundlekeeper.planning.fleet.target import TargetChoice
from bundlekeeper.planning.gaps.question import Case, GapGroup

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle


def check_supply(case: Case) -> None:
    """Every gap of the manifest itself and of the bundles that the release means."""
    _expiry(case)
    for choice in case.target.choices.values():
        if choice.bundle is None:
            _missing(case, choice)
            continue
        case.tally.made("family")
        over = choice.passed_over_finding(case.target.release.name)
        if not _other_variants(case, choice) and over is not None:
            evidence = {"offered": list(choice.offered), "chosen": choice.version}
            case.tally.add(over.code, over.subject, over.message, over.hint, level=over.level, evidence=evidence)
        for bundle in choice.chain:
            _lifecycle(case, bundle, choice)
            _digest(case, bundle)
            _in_store(case, bundle)
        _base(case, choice)


def _expiry(case: Case) -> None:
    manifest = case.manifest_index.manifest
    subject = f"manifest {manifest.platform} {manifest.sequence}"
    if manifest.expires is None:
        hint = "add expires = … to the manifest, so that an old one is noticed"
        case.tally.lack("expiry", subject, "whether the manifest is out of date", "its expiry date", hint=hint)
        return
    case.tally.made("expiry")
    if case.now.date() > manifest.expires:
        message = f"the manifest expired on {manifest.expires}; today is {case.now.date()}"
        evidence = {"expires": str(manifest.expires), "today": str(case.now.date())}
        hint = "get a newer manifest, or confirm this one and set a new date"
        case.tally.add("expired", subject, message, hint, evidence=evidence)


def _missing(case: Case, choice: TargetChoice) -> None:
    family, release = choice.family, case.target.release.name
    subject = f"{case.domain}: {family}"
    sure = family in case.state.families
    others = [bundle for version in choice.offered for bundle in case.manifest_index.at(family, version)]
    case.tally.made("family")
    evidence = {"release": release, "offered": list(choice.offered)}
    groups = [group for group in case.groups if group.family in (family, None)]
    things = [key for group in groups if _takes(group, choice.variant) for key in group.keys]
    if choice.variant is None:
        message = f"which variant of {family} is needed: {some(list(case.manifest_index.variants(family)))}"
        hint = "name it in the inventory: variant on a component of the server, or of the domain's infrastructure"
        case.tally.lack("variant", subject, message, "the variant", hint=hint, things=things)
        return
    if others:
        has = some(list(dict.fromkeys(f"{b.version} {b.variant}" for b in others)))
        message = f"release {release} has {family} only in another variant than {choice.variant or 'none'} ({has})"
        hint = near(choice.variant, case.manifest_index.manifest.variants) if choice.variant else ""
        hint = f"add the bundle of that variant to the manifest{'; ' + hint if hint else ''}"
        case.tally.add("wrong-variant", subject, message, hint, things=things, evidence=evidence)
        return
    if choice.offered:
        message = f"release {release} names {family} {choice.offered[0]}, and the manifest has no bundle of it"
        hint = f"add the bundle of {family} {choice.offered[0]} to the manifest"
    else:
        message = f"release {release} names no version of {family}"
        hint = f"add {family} to the release"
    if not sure:
        message += f"; whether the domain has {family} components is not known"
    hint += "; a set is complete only with every family that the domain has"
    case.tally.add("family-missing", subject, message, hint, things=things, evidence=evidence)


def _takes(group: GapGroup, variant: str | None) -> bool:
    """True for the servers of that variant, and for the infrastructure, which has one."""
    return group.server_class is None or group.server_class.family is None or group.server_class.variant == variant


def _called(bundle: Bundle) -> str:
    return f"{bundle.family} {bundle.version} ({bundle.file})"


def _lifecycle(case: Case, bundle: Bundle, choice: TargetChoice) -> None:
    case.tally.made("lifecycle")
    if bundle.lifecycle.value == "withdrawn":
        message = f"withdrawn by its publisher{': ' + bundle.reason if bundle.reason else ''}"
        others = [v for v in choice.offered if v != choice.version]
        hint = f"the release also lists {', '.join(others)}" if others else "choose another release"
        evidence = {"reason": bundle.reason, "offered": list(choice.offered)}
        case.tally.add("withdrawn", _called(bundle), message, hint, level=Level.ERROR, evidence=evidence)
    if case.manifest_index.variants(bundle.family):
        if bundle.variant is None:
            message = f"whether it is the variant {choice.variant}"
            case.tally.lack("variant", _called(bundle), message, "its variant", hint="add variant = … to the manifest")
        else:
            case.tally.made("variant")


def _digest(case: Case, bundle: Bundle) -> None:
    if bundle.digest_from is None:
        message = "whether its digest verifies anything"
        hint = 'add digest_from = "publisher: …" to the manifest, or confirm it against the publisher\'s list'
        case.tally.lack("digest", _called(bundle), message, "where the digest comes from", hint=hint)
        return
    case.tally.made("digest")
    if is_own_copy(bundle.digest_from):
        message = "its digest was computed from the very file that it is meant to verify"
        hint = "compare it with the publisher's list: bundlekeeper manifest confirm"
        case.tally.add("self-digest", _called(bundle), message, hint, evidence={"digest_from": bundle.digest_from})


def _in_store(case: Case, bundle: Bundle) -> None:
    file = case.holdings.stored(bundle.sha256)
    case.tally.made("in-store")
    evidence = {"file": bundle.file, "size_bytes": bundle.size, "sha256": bundle.sha256}
    if file is None:
        _not_in_store(case, bundle, evidence)
        return
    _proof(case, bundle, file)
    _signature(case, bundle, file)


def _not_in_store(case: Case, bundle: Bundle, evidence: dict[str, object]) -> None:
    message = "needed, not in the store"
    called = case.holdings.called(bundle.family, bundle.version)
    if called:
        message += (
            f"; what it has as {bundle.family} {bundle.version} has other bytes (sha256 {called[0].sha256[:16]}…)"
        )
    hint = "bundlekeeper store add MANIFEST --from DIR"
    case.tally.add("not-in-store", _called(bundle), message, hint, evidence=evidence)


def _other_variants(case: Case, choice: TargetChoice) -> bool:
    """Another variant in the store, where the right one of a version as good as the chosen is needed; True if so."""
    found = False
    for version in choice.offered[: choice.offered.index(choice.version) + 1]:
        bundles = case.manifest_index.at(choice.family, version)
        wanted = [bundle for bundle in bundles if suits(bundle, choice.variant)]
        others = {bundle.sha256.lower(): bundle.variant for bundle in bundles if not suits(bundle, choice.variant)}
        if any(case.holdings.stored(bundle.sha256) for bundle in wanted):
            continue
        for file in case.holdings.called(choice.family, version):
            variant = others.get(file.sha256.lower()) or file.variant
            if variant in ("", choice.variant):
                continue
            message = f"the store has {choice.family} {version} in the variant {variant}"
            hint = f"get {' or '.join(bundle.file for bundle in wanted)}, the variant {choice.variant}"
            if not choice.variant:
                hint = f"get {' or '.join(bundle.file for bundle in wanted)}"
            level = None if version == choice.version else Level.WARNING
            evidence = {"sha256": file.sha256, "chosen": choice.version}
            subject, found = f"{case.domain}: {choice.family} {version}", True
            case.tally.add("wrong-variant", subject, message, hint, level=level, evidence=evidence)
    return found


def _proof(case: Case, bundle: Bundle, file: StoredFile) -> None:
    tally, subject, limit = case.tally, _called(bundle), case.holdings.max_verification_age_s
    hint = "bundlekeeper verify"
    if file.verified is not True:
        known = "not verified" if file.verified is False else "not known to be verified"
        tally.made("verification")
        tally.add(
            "unverified",
            subject,
            f"in the store, but its bytes are {known}",
            hint,
            evidence={"verified": file.verified},
        )
        return
    tally.made("verification")
    if limit is None:
        return
    if file.verified_at is None or file.verified_at > case.now:
        fact = (
            "when it was verified"
            if file.verified_at is None
            else f"when it was verified: the recorded time is later than now ({file.verified_at})"
        )
        tally.lack("verification age", subject, "whether its verification is too old", fact, hint=hint)
        return
    tally.made("verification age")
    age_s = (case.now - file.verified_at).total_seconds()
    if age_s > limit:
        message = f"verified {human(age_s)} ago; the store accepts {human(limit)}"
        evidence = {"verified_at": file.verified_at.isoformat(), "age_s": int(age_s), "max_age_s": limit}
        tally.add("stale-verification", subject, message, hint, evidence=evidence)


def _signature(case: Case, bundle: Bundle, file: StoredFile) -> None:
    tally, subject = case.tally, _called(bundle)
    wanted = bundle.family in case.holdings.signed_families
    stated = bundle.signature is not None
    evidence = {"wanted": wanted, "stated": stated, "found": file.signature.value}
    if file.against:
        tally.made("signature")
        for finding in file.against:
            tally.add(finding.code, subject, finding.message, finding.hint, level=finding.level, evidence=evidence)
    elif file.signature is SignatureState.BAD:
        tally.made("signature")
        hint = "do not use it; get the bundle and its signature again, from its publisher"
        tally.add("bad-signature", subject, "its signature is not good", hint, evidence=evidence)
    elif wanted and (file.signature is SignatureState.ABSENT or not stated):
        tally.made("signature")
        where = "it has none" if stated else "the manifest names none"
        hint = "get the publisher's signature and name it in the manifest"
        tally.add("unsigned", subject, f"this store requires a signature, {where}", hint, evidence=evidence)
    elif file.signature is SignatureState.UNKNOWN:
        fact = "whether there is one, and whether it is good"
        tally.lack("signature", subject, "whether its signature is good", fact, hint="bundlekeeper verify")
    else:
        tally.made("signature")


def _base(case: Case, choice: TargetChoice) -> None:
    """A patch whose base is no bundle of the manifest: nothing is known about the base's own images."""
    first = choice.chain[0]
    if first.base is None:
        return
    message = f"it goes onto {first.base}, which is no bundle of the manifest: whether that runs"
    hint = f"add the {choice.family} bundle {first.base} to the manifest"
    case.tally.lack("base", _called(first), message, f"what {first.base} brings", hint=hint)
