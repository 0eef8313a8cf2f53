"""Gaps of what is to be carried in: is each bundle of the release there, proven, signed, and not withdrawn.

Rules: every family that the domain has, or may have, is asked for; a patch needs its bases too; what the store holds
counts by digest, never by name; a digest that nobody published proves nothing; a signature is asked for where the
store's own policy wants one, whatever the manifest says, and one that was not looked at is told.
Practice: one file per family, a wrong variant is a classic mistake, forgetting a family is the commonest gap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.findings import Level
from bundlekeeper.formats.durations import human
from bundlekeeper.formats.escape import some
from bundlekeeper.model.manifest.digest_origin import is_own_copy
from bundlekeeper.planning.fleet.manifest_index import near, suits
from bundlekeeper.planning.fleet.stock import HeldFile, SignatureState
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
        _other_variants(case, choice)
        for bundle in choice.chain:
            _standing(case, bundle, choice)
            _digest(case, bundle)
            _held(case, bundle)
        _base(case, choice)


def _expiry(case: Case) -> None:
    manifest = case.book.manifest
    subject = f"manifest {manifest.platform} {manifest.sequence}"
    if manifest.expires is None:
        hint = "add expires = … to the manifest, so that an old one is noticed"
        case.tally.lack("expiry", subject, "whether the manifest is out of date", "its expiry date", hint=hint)
        return
    case.tally.made("expiry")
    if case.now.date() > manifest.expires:
        says = f"the manifest expired on {manifest.expires}; today is {case.now.date()}"
        evidence = {"expires": str(manifest.expires), "today": str(case.now.date())}
        hint = "get a newer manifest, or confirm this one and set a new date"
        case.tally.add("expired", subject, says, hint, evidence=evidence)


def _missing(case: Case, choice: TargetChoice) -> None:
    family, release = choice.family, case.target.release.name
    subject = f"{case.domain}: {family}"
    sure = family in case.standing.families
    others = [bundle for version in choice.offered for bundle in case.book.at(family, version)]
    case.tally.made("family")
    evidence = {"release": release, "offered": list(choice.offered)}
    groups = [group for group in case.groups if group.family in (family, None)]
    things = [key for group in groups if _takes(group, choice.variant) for key in group.keys]
    if choice.variant is None:
        says = f"which variant of {family} is taken: {some(list(case.book.variants(family)))}"
        hint = "name it in the inventory: variant on a component of the server, or of the domain's infrastructure"
        case.tally.lack("variant", subject, says, "the variant", hint=hint, things=things)
        return
    if others:
        has = some(list(dict.fromkeys(f"{b.version} {b.variant}" for b in others)))
        says = f"release {release} has {family} only in another variant than {choice.variant or 'none'} ({has})"
        hint = near(choice.variant, case.book.manifest.variants) if choice.variant else ""
        hint = f"add the bundle of that variant to the manifest{'; ' + hint if hint else ''}"
        case.tally.add("wrong-variant", subject, says, hint, things=things, evidence=evidence)
        return
    if choice.offered:
        says = f"release {release} wants {family} {choice.offered[0]}, and the manifest has no such bundle"
    else:
        says = f"release {release} names no version of {family}"
    if not sure:
        says += f"; whether the domain has {family} parts is not known"
    hint = f"add {family} to the release; a set is complete only with every family that the domain has"
    case.tally.add("family-missing", subject, says, hint, things=things, evidence=evidence)


def _takes(group: GapGroup, variant: str | None) -> bool:
    """True for the servers that take that variant, and for the infrastructure, which takes one."""
    return group.kin is None or group.kin.family is None or group.kin.variant == variant


def _called(bundle: Bundle) -> str:
    return f"{bundle.family} {bundle.version} ({bundle.file})"


def _standing(case: Case, bundle: Bundle, choice: TargetChoice) -> None:
    case.tally.made("standing")
    if bundle.standing.value == "withdrawn":
        says = f"withdrawn by its publisher{': ' + bundle.why if bundle.why else ''}"
        others = [v for v in choice.offered if v != choice.version]
        hint = f"the release also lists {', '.join(others)}" if others else "choose another release"
        evidence = {"why": bundle.why, "offered": list(choice.offered)}
        case.tally.add("withdrawn", _called(bundle), says, hint, level=Level.ERROR, evidence=evidence)
    if case.book.variants(bundle.family):
        if bundle.variant is None:
            says = f"whether it is the variant {choice.variant}"
            case.tally.lack("variant", _called(bundle), says, "its variant", hint="add variant = … to the manifest")
        else:
            case.tally.made("variant")


def _digest(case: Case, bundle: Bundle) -> None:
    if bundle.digest_from is None:
        says = "whether its digest proves anything"
        hint = 'add digest_from = "publisher: …" to the manifest, or confirm it against the publisher\'s list'
        case.tally.lack("digest", _called(bundle), says, "where the digest comes from", hint=hint)
        return
    case.tally.made("digest")
    if is_own_copy(bundle.digest_from):
        says = "its digest was computed from the very file that it is meant to prove"
        hint = "compare it with the publisher's list: bundlekeeper manifest confirm"
        case.tally.add("self-digest", _called(bundle), says, hint, evidence={"digest_from": bundle.digest_from})


def _held(case: Case, bundle: Bundle) -> None:
    file = case.holdings.held(bundle.sha256)
    case.tally.made("held")
    evidence = {"file": bundle.file, "size_bytes": bundle.size, "sha256": bundle.sha256}
    if file is None:
        _not_held(case, bundle, evidence)
        return
    _proof(case, bundle, file)
    _signature(case, bundle, file)


def _not_held(case: Case, bundle: Bundle, evidence: dict[str, object]) -> None:
    says = "needed, not in the store"
    called = case.holdings.called(bundle.family, bundle.version)
    if called:
        says += f"; what it holds as {bundle.family} {bundle.version} has other bytes (sha256 {called[0].sha256[:16]}…)"
    hint = "bundlekeeper take MANIFEST --from DIR"
    case.tally.add("not-held", _called(bundle), says, hint, evidence=evidence)


def _other_variants(case: Case, choice: TargetChoice) -> None:
    """Another variant, held where the right one of a version as good as the chosen is wanted."""
    for version in choice.offered[: choice.offered.index(choice.version) + 1]:
        bundles = case.book.at(choice.family, version)
        wanted = [bundle for bundle in bundles if suits(bundle, choice.variant)]
        others = {bundle.sha256.lower(): bundle.variant for bundle in bundles if not suits(bundle, choice.variant)}
        if any(case.holdings.held(bundle.sha256) for bundle in wanted):
            continue
        for file in case.holdings.called(choice.family, version):
            variant = others.get(file.sha256.lower()) or file.variant
            if variant in ("", choice.variant):
                continue
            says = f"the store holds {choice.family} {version} in the variant {variant}"
            hint = f"get {' or '.join(bundle.file for bundle in wanted)}, the variant {choice.variant}"
            if not choice.variant:
                hint = f"get {' or '.join(bundle.file for bundle in wanted)}"
            level = None if version == choice.version else Level.WARNING
            evidence = {"sha256": file.sha256, "chosen": choice.version}
            subject = f"{case.domain}: {choice.family} {version}"
            case.tally.add("wrong-variant", subject, says, hint, level=level, evidence=evidence)


def _proof(case: Case, bundle: Bundle, file: HeldFile) -> None:
    tally, subject, limit = case.tally, _called(bundle), case.holdings.max_proof_age_s
    hint = "bundlekeeper check"
    if file.proven is not True:
        known = "not proven" if file.proven is False else "not known to be proven"
        tally.made("proof")
        tally.add("unproven", subject, f"held, but its bytes are {known}", hint, evidence={"proven": file.proven})
        return
    tally.made("proof")
    if limit is None:
        return
    if file.proven_at is None or file.proven_at > case.now:
        fact = (
            "when it was proven" if file.proven_at is None else f"how it was proven later than now ({file.proven_at})"
        )
        tally.lack("proof age", subject, "whether its proof is too old", fact, hint=hint)
        return
    tally.made("proof age")
    age_s = (case.now - file.proven_at).total_seconds()
    if age_s > limit:
        says = f"proven {human(age_s)} ago; the store accepts {human(limit)}"
        evidence = {"proven_at": file.proven_at.isoformat(), "age_s": int(age_s), "max_age_s": limit}
        tally.add("stale-proof", subject, says, hint, evidence=evidence)


def _signature(case: Case, bundle: Bundle, file: HeldFile) -> None:
    tally, subject = case.tally, _called(bundle)
    wanted = bundle.family in case.holdings.signed_families
    stated = bundle.signature is not None
    evidence = {"wanted": wanted, "stated": stated, "found": file.signature.value}
    if file.against:
        tally.made("signature")
        for finding in file.against:
            tally.add(finding.code, subject, finding.says, finding.hint, level=finding.level, evidence=evidence)
    elif file.signature is SignatureState.BAD:
        tally.made("signature")
        hint = "do not use it; get the bundle and its signature again, from its publisher"
        tally.add("bad-signature", subject, "its signature is not good", hint, evidence=evidence)
    elif wanted and (file.signature is SignatureState.ABSENT or not stated):
        tally.made("signature")
        where = "it has none" if stated else "the manifest names none"
        hint = "get the publisher's signature and name it in the manifest"
        tally.add("unsigned", subject, f"this store wants a signature, {where}", hint, evidence=evidence)
    elif file.signature is SignatureState.UNKNOWN:
        fact = "whether there is one, and what it says"
        tally.lack("signature", subject, "whether its signature is good", fact, hint="bundlekeeper check")
    else:
        tally.made("signature")


def _base(case: Case, choice: TargetChoice) -> None:
    """A patch whose base is no bundle of the manifest: nothing can be said of the base's own images."""
    first = choice.chain[0]
    if first.onto is None:
        return
    says = f"it goes onto {first.onto}, which is no bundle of the manifest: whether that runs"
    hint = f"add the {choice.family} bundle {first.onto} to the manifest"
    case.tally.lack("base", _called(first), says, f"what {first.onto} brings", hint=hint)
