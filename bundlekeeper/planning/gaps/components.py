"""Gaps of single components: what it runs, whether the target serves it, whether it may go there, and how it gets back.

Rules: like components of like servers are reported once, with all their keys; a component that the target does not move
is asked for its version only; of the jumps onto a base and its patches each is judged; going down is always reported,
as an error where no rule allows it; a way back is what is common practice for the method, and where that means
installing the older image again, the bundle that brings it must be in the store.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from bundlekeeper.findings import Level
from bundlekeeper.formats.escape import some
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.vocabulary import SERVER_FAMILIES
from bundlekeeper.planning.fleet.domain_state import NO_FAMILY, NO_MODEL, NO_VARIANT, NO_VERSION, UNORDERED, At
from bundlekeeper.planning.fleet.manifest_index import ImageOffer
from bundlekeeper.planning.fleet.rules import JumpAnswer, RuleAnswer, SeenVersion
from bundlekeeper.planning.gaps.question import Case, GapGroup, Like

if TYPE_CHECKING:
    from bundlekeeper.model.manifest.types import Bundle, Image, Jump


_ORDER = "look at the text as read, or declare an order for the kind: [kind.NAME] order = …"


def check_components(case: Case) -> None:
    """Every gap of every component."""
    unserved: dict[tuple[str, str], list[str]] = {}
    for group in case.groups:
        served = tuple(like for like in group.likes if _is_served(case, group, like))
        _versions(case, group, served)
        _withdrawn(case, group, served)
        _supports(case, group, served)
        for like in group.likes:
            if like not in served:
                unserved.setdefault((group.family or "", like.reading.kind), []).extend(like.keys)
        moving = tuple(like for like in group.likes if like.moves)
        _jumps(case, group, moving)
        _ways_back(case, group, moving)
    for (family, kind), keys in unserved.items():
        case.tally.made("support", len(keys))
        message = f"no {family} bundle of the manifest has images of {kind}: {len(keys)} of them stay as they are"
        subject = f"{case.domain}: {kind}"
        case.tally.add(
            "model-unsupported", subject, message, level=Level.NOTE, things=keys, evidence={"components": len(keys)}
        )


def _is_served(case: Case, group: GapGroup, like: Like) -> bool:
    """False where no bundle of the component's family has an image of its kind, so that the manifest leaves it
    alone."""
    families = (group.family,) if group.family else SERVER_FAMILIES
    return any(case.manifest_index.may_list_kind(family, like.reading.kind) for family in families)


def _versions(case: Case, group: GapGroup, likes: tuple[Like, ...]) -> None:
    """Components whose running version is not known, or at no bundle; without model, family or variant: elsewhere."""
    lacking: dict[tuple[str, str | None], list[Like]] = {}
    for like in likes:
        if like.reading.lack in (NO_MODEL, NO_FAMILY, NO_VARIANT):
            continue
        case.tally.made("version", len(like.components))
        if like.reading.lack:
            lacking.setdefault((like.reading.lack, like.reading.active), []).append(like)
    for (lack, active), rows in lacking.items():
        called = some([f"{like.reading.kind} {like.reading.model or 'of unknown model'}" for like in rows])
        code = "version-unknown"
        if lack == NO_VERSION:
            message, hint = f"the running version of {called} is not known", "read it and load it again"
        elif lack == UNORDERED:
            orders = dict.fromkeys(case.manifest_index.scale(like.reading.kind).name for like in rows)
            message = f"runs {active}, which no bundle lists for {called} and {' or '.join(orders)} order cannot place"
            hint = _ORDER
            code = "version-unordered"
        else:
            message = f"runs {active}, which no bundle of the manifest lists for {called}"
            if active in case.manifest_index.manifest.versions.known:
                message += " (it is named under known, without images)"
            hint = "add the bundle that brings it to the manifest, so that rules can apply to it"
        keys = [key for like in rows for key in like.keys]
        evidence = {"active": active, "kinds": [like.reading.kind for like in rows]}
        case.tally.add(code, group.named(tuple(rows)), message, hint, things=keys, evidence=evidence)


def _withdrawn(case: Case, group: GapGroup, likes: tuple[Like, ...]) -> None:
    """Components that run what was withdrawn: a reason to hurry where the target replaces them, else a warning."""
    found: dict[tuple[str, bool], list[Like]] = {}
    whys: dict[str, str] = {}
    for like in likes:
        offers = case.manifest_index.offers(
            group.family or "", like.reading.variant, like.reading.kind, like.reading.model or ""
        )
        bundles = [offer.bundle for offer in offers if case.fleet.reader.is_at(like.reading, offer)]
        if bundles and all(bundle.lifecycle.value == "withdrawn" for bundle in bundles):
            found.setdefault((bundles[-1].version, like.moves), []).append(like)
            whys[bundles[-1].version] = bundles[-1].reason or "no reason is given"
    for (version, moves), rows in found.items():
        message = f"runs {group.family} {version}, which was withdrawn: {whys[version]}"
        level, hint = (Level.NOTE, "") if moves else (None, "choose a release that brings another image")
        keys = [key for like in rows for key in like.keys]
        evidence = {"bundle": version, "reason": whys[version], "moves": moves}
        subject = group.named(tuple(rows))
        case.tally.add("withdrawn", subject, message, hint, level=level, things=keys, evidence=evidence)


def _supports(case: Case, group: GapGroup, likes: tuple[Like, ...]) -> None:
    """Components for which the target brings no image, or for which that cannot be reported, by the fact that is
    lacking."""
    unclear: dict[tuple[str, str], list[Like]] = {}
    for like in likes:
        lacking = _unclear(case, group, like)
        if lacking is not None:
            unclear.setdefault(lacking, []).append(like)
        elif case.target.choices[group.family or "", like.reading.variant].bundle is None:
            case.tally.uncounted("support", len(like.components))  # family-missing tells it
        else:
            case.tally.made("support", len(like.components))
            if like.offer is None and case.target.means(like.reading):
                _unsupported(case, group, like)
    for (message, fact), rows in unclear.items():
        keys = [key for like in rows for key in like.keys]
        kinds = some([f"{like.reading.kind} {like.reading.model or '?'}" for like in rows])
        subject = group.named(tuple(rows))
        case.tally.lack("support", subject, f"{message} {kinds}", fact, things=keys, times=len(keys))


def _unclear(case: Case, group: GapGroup, like: Like) -> tuple[str, str] | None:
    """What cannot be reported of the image that the target brings, and the fact that is lacking; None where it can."""
    if like.reading.model is None:
        return "which image it takes and which bundle it is at:", "its model"
    if group.family is None:
        fact = "whether it is a blade or a rack server (its chassis: - for none)"
        return "which image it takes and which bundle it is at:", fact
    if like.reading.variant is None:
        return "which image it takes and which bundle it is at:", "its variant"
    choice = case.target.choices[group.family, like.reading.variant]
    if choice.bundle is None:
        return None
    message = f"whether {group.family} {choice.version} has an image for"
    if blind := choice.blind(like.reading.kind):
        return message, f"the images of {blind.file}"
    if choice.chain[0].base and like.offer is None:
        return message, f"what {choice.chain[0].base} brings, which it goes onto"
    return None


def _unsupported(case: Case, group: GapGroup, like: Like) -> None:
    reading = like.reading
    choice = case.target.choices[group.family or "", reading.variant]
    whole = case.manifest_index.whole(choice.bundle) if choice.bundle is not None else {}
    models = sorted(model for kind, model in whole if kind == reading.kind)
    message = f"{group.family} {choice.version} has no image of {reading.kind} for model {reading.model or '(none)'}"
    has = f"it has one for {some(models)}" if models else f"it has none of {reading.kind} at all"
    evidence = {"kind": reading.kind, "model": reading.model, "bundle": choice.version, "models": models}
    hint = f"{has}; choose a release that serves it, or fix the manifest's images"
    subject = group.named((like,))
    case.tally.add("model-unsupported", subject, message, hint, things=like.keys, evidence=evidence)


@dataclass(frozen=True, slots=True)
class _Hop:
    """One jump of like components."""

    like: Like
    start: str  # for people
    to: ImageOffer
    answer: JumpAnswer


def _jumps(case: Case, group: GapGroup, moving: tuple[Like, ...]) -> None:
    alike: dict[tuple[object, ...], list[_Hop]] = {}
    downs: dict[tuple[object, ...], list[_Hop]] = {}
    for like in moving:
        for hop in _hops(case, like):
            key = (
                hop.answer.answer,
                hop.answer.fact,
                tuple(map(id, hop.answer.rules)),
                hop.to.bundle.version,
                hop.start,
            )
            if hop.answer.answer is RuleAnswer.UNKNOWN or hop.answer.down is None:
                case.tally.uncounted("jump", len(like.components))
            else:
                case.tally.made("jump", len(like.components))
            if hop.answer.answer is not RuleAnswer.ALLOWED:
                alike.setdefault(key, []).append(hop)
            if hop.answer.down is not False:
                downs.setdefault((hop.answer.down, *key), []).append(hop)
    for hops in alike.values():
        _tell_jump(case, group, hops)
    for hops in downs.values():
        _tell_down(case, group, hops)


def _hops(case: Case, like: Like) -> Iterator[_Hop]:
    """The jumps of a component: onto the base, unless it runs it or a later patch of it, then onto each patch for
    it."""
    choice = case.target.choice(like.reading)
    if choice is None or like.reading.model is None:
        return
    links = [(bundle, _image_for(bundle, like)) for bundle in choice.chain]
    at = case.fleet.reader.is_at
    reached = [place for place, (b, i) in enumerate(links) if i is not None and at(like.reading, ImageOffer(b, i))]
    start, now = _start(like), like.now
    for bundle, image in links[reached[-1] + 1 if reached else 0 :]:
        if image is None and not bundle.images:  # it may run anything after this one
            start, now = f"what {bundle.version} brings", replace(now, image=None, at=At((), certain=False))
        if image is None:
            continue
        answer = case.fleet.rules.jump(now, image.version, bundle.version)
        if bundle is choice.chain[0] and bundle.base is not None:
            answer = _onto(now, bundle.base, answer)
        yield _Hop(like, start, ImageOffer(bundle, image), answer)
        start, now = bundle.version, replace(now, image=image.version, at=At(((bundle.version,),), certain=True))


def _image_for(bundle: Bundle, like: Like) -> Image | None:
    kind, model = like.reading.kind, like.reading.model
    return next((i for i in bundle.images if i.kind == kind and model in i.models), None)


def _onto(now: SeenVersion, base: str, answer: JumpAnswer) -> JumpAnswer:
    """The answer for a patch whose base is no bundle of the manifest."""
    readings = now.at.readings
    if answer.answer is RuleAnswer.REFUSED or (readings and all(base in reading for reading in readings)):
        return answer
    fact = f"whether it runs {base}, which the patch goes onto"
    return JumpAnswer(RuleAnswer.UNKNOWN, fact=fact, down=answer.down)


def _start(like: Like) -> str:
    """Where a component starts, for people: its bundles, else the version that it runs."""
    readings = like.now.at.readings
    if len(readings) > 1:
        return f"between {readings[0][0]} and {readings[-1][-1]}"
    if readings:
        return readings[0][-1]
    return f"its {like.reading.active}" if like.reading.active else "an unknown version"


def quoted(rules: tuple[Jump, ...]) -> str:
    """Rules of jumps as a sentence quotes them, with their sources."""
    return "; ".join(f"to {jump.to} from {jump.from_} ({jump.source})" for jump in rules)


def _evidence(hops: list[_Hop]) -> dict[str, object]:
    images = {
        f"{hop.like.reading.kind} {hop.like.reading.model}": [hop.like.reading.active, hop.to.image.version]
        for hop in hops
    }
    return {"from": hops[0].start, "to": hops[0].to.bundle.version, "images": images}


def _tell_jump(case: Case, group: GapGroup, hops: list[_Hop]) -> None:
    answer, start, to = hops[0].answer, hops[0].start, hops[0].to.bundle.version
    likes = tuple(hop.like for hop in hops)
    subject = group.named(likes)
    keys = tuple(key for like in likes for key in like.keys)
    evidence, sources = _evidence(hops), tuple(jump.source for jump in answer.rules)
    if answer.answer is RuleAnswer.UNKNOWN:
        message = f"whether it may go from {start} to {to}"
        case.tally.lack("jump", subject, message, answer.fact, things=keys, times=0, evidence=evidence)
    elif answer.answer is RuleAnswer.UNSTATED:
        message = f"no rule is about going from {start} to {to}"
        hint = "look it up in the release notes and add the jump, with its source"
        case.tally.add("jump-unstated", subject, message, hint, things=keys, evidence=evidence)
    elif answer.rules:
        message = f"may not go from {start} to {to} in one step: {quoted(answer.rules)}"
        hint = "look for a route with stops between: bundlekeeper route"
        case.tally.add("jump-refused", subject, message, hint, things=keys, evidence=evidence, sources=sources)
    else:
        message = f"may not go down from {start} to {to}: no rule allows it"
        hint = "going down needs a rule that allows it; add the jump, with its source, if the release notes allow it"
        case.tally.add("jump-refused", subject, message, hint, things=keys, evidence=evidence)


def _tell_down(case: Case, group: GapGroup, hops: list[_Hop]) -> None:
    answer, start, to = hops[0].answer, hops[0].start, hops[0].to.bundle.version
    likes = tuple(hop.like for hop in hops)
    keys = tuple(key for like in likes for key in like.keys)
    if answer.down is None:
        if answer.answer is not RuleAnswer.UNKNOWN:  # there, the jump's own gap tells it
            message = f"whether going from {start} to {to} goes down"
            fact = "the place of its versions in their order"
            case.tally.lack("jump", group.named(likes), message, fact, hint=_ORDER, things=keys, times=0)
        return
    passes = answer.answer is RuleAnswer.ALLOWED
    message = f"goes down from {start} to {to}"
    if passes:
        message += f", which a rule allows: {quoted(answer.rules)}"
    level = Level.WARNING if passes else Level.ERROR
    hint = (
        "make sure that it is intended; remove the settings that the older version lacks first"
        if passes
        else "choose a newer release"
    )
    sources = tuple(jump.source for jump in answer.rules) if passes else ()
    evidence = _evidence(hops)
    case.tally.add(
        "downgrade", group.named(likes), message, hint, level=level, things=keys, evidence=evidence, sources=sources
    )


def _ways_back(case: Case, group: GapGroup, moving: tuple[Like, ...]) -> None:
    lost: dict[tuple[str, str, bool], list[tuple[str, str]]] = {}
    likes: dict[tuple[str, str, bool], list[Like]] = {}
    for like in moving:
        for component_keys, message, hint, known in _way_back(case, like):
            key = (message, hint, known)
            lost.setdefault(key, []).extend((component_key, like.reading.kind) for component_key in component_keys)
            likes.setdefault(key, []).append(like)
    for key, rows in lost.items():
        message, hint, known = key
        subject = group.named(tuple(likes[key]))
        keys = tuple(k for k, _ in rows)
        if known:
            evidence = {"kinds": sorted({kind for _, kind in rows})}
            case.tally.add("no-way-back", subject, message, hint, things=keys, evidence=evidence)
        else:
            case.tally.lack("way back", subject, "how it gets back", message, hint=hint, things=keys, times=0)


_Way = tuple[tuple[str, ...], str, str, bool]  # the components' keys, what is lost or not known, a hint, is it known


def _way_back(case: Case, like: Like) -> Iterator[_Way]:
    """What is wrong with the way back of like components, nothing where there is one."""
    reading, tally = like.reading, case.tally
    back = case.manifest_index.facts(reading.kind, reading.model).back
    number = len(like.components)
    if back is None:
        tally.uncounted("way back", number)
        yield (
            like.keys,
            f"how {reading.kind} gets back",
            f"set it in the manifest: [kind.{reading.kind}] back = …",
            False,
        )
    elif back == "none":
        tally.made("way back", number)
        yield (
            like.keys,
            "once it is written there is no way back",
            "decide whether to go on; keep a spare component at hand",
            True,
        )
    elif back == "switch":
        tally.made("way back", number)
    elif back == "pointer":
        yield from _pointer(case, like)
    else:
        yield from _reinstall(case, like, back)


def _pointer(case: Case, like: Like) -> Iterator[_Way]:
    """boot-file: the file that runs now must lie there, so that the pointer can be set back."""
    scale = case.manifest_index.scale(like.reading.kind)
    for component in like.components:
        active, boot_files = component.component.active, component.component.boot_files
        if not active or boot_files is None:
            case.tally.uncounted("way back")
            fact = "which image files are on it (boot_files)" if boot_files is None else "the running version"
            yield (component.key,), fact, "read it and load it again", False
            continue
        case.tally.made("way back")
        if not any(scale.same(active, version) for version in boot_files):
            message = f"the file of the running {active} is not on it: the pointer cannot go back to it"
            yield (component.key,), message, f"bring the image {active} back before anything else", True


def _reinstall(case: Case, like: Like, back: str) -> Iterator[_Way]:
    """overwrite: the older image is installed again, from a bundle that must be in the store."""
    bundles = like.reading.bundles
    family = like.reading.family or ""
    number = len(like.components)
    if not bundles:
        case.tally.uncounted("way back", number)
        yield like.keys, "the bundle that brings what it runs now", "add that bundle to the manifest", False
        return
    case.tally.made("way back", number)
    offers = case.manifest_index.offers(family, like.reading.variant, like.reading.kind, like.reading.model or "")
    fitting = [
        offer for offer in offers if offer.bundle.version in bundles and case.fleet.reader.is_at(like.reading, offer)
    ]
    if not any(case.holdings.stored(offer.bundle.sha256) for offer in fitting):
        what = "installing again, then restoring the backup" if back == "restore" else "installing again"
        message = f"the way back is {what}, and the store has no {family} {' or '.join(bundles)}"
        yield (
            like.keys,
            message,
            f"add {family} {bundles[-1]} to the store first: bundlekeeper store add MANIFEST --from DIR",
            True,
        )
