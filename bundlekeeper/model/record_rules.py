"""Whether staging or activating may be recorded of a component: it must not contradict what is known. Pure.

Rules: a refusal names what is known and what contradicts it; what is not known is no reason to refuse, and no
confirmation; a refusal can be overruled only with a reason, which is recorded with the event.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from bundlekeeper.model.vocabulary import METHODS, SPARE, STAGED_METHODS


@dataclass(frozen=True, slots=True)
class RecordedComponent:
    """One component as the ledger knows it; `method` is empty where the kind is not known.

    `staged` is what was brought to be activated; an image that was only read in `spare` may be an old one. `activated`
    is what was recorded as activated and not read back yet, `runs` what was read back. `staged_sha256` is of the
    bundle's file, "" is not known.
    """

    component: str
    kind: str
    model: str
    method: str
    place: str = ""
    pending: str | None = None
    spare: str | None = None
    boot_files: tuple[str, ...] = ()
    staged: str | None = None
    activated: str = ""
    staged_sha256: str = ""
    runs: str = ""


@dataclass(frozen=True, slots=True)
class RecordedImage:
    """One image of a bundle: the kind, the models and the version that the manifest gives it."""

    kind: str
    models: tuple[str, ...]
    version: str


@dataclass(frozen=True, slots=True)
class RecordedBundle:
    """A bundle as the store knows it: whether it is in the store (`stored`) and verified now. `near` is the name of a
    bundle in the store that is like this one's, where this one is not in it."""

    family: str
    version: str
    sha256: str
    images: Sequence[RecordedImage]
    stored: bool
    verified: bool
    lifecycle: str = "current"
    near: str = ""
    variant: str = ""


@dataclass(frozen=True, slots=True)
class RecordChoice:
    """What would be recorded of one component: the image's version and bank, and every reason against it.

    `again` is True where the same image is staged on it already.
    """

    component: RecordedComponent
    version: str
    bank: str
    refusals: tuple[str, ...]
    again: bool = False


def staging(component: RecordedComponent, bundle: RecordedBundle | None, version: str, bank: str) -> RecordChoice:
    """Judge staging an image on a component. `bank` empty means the usual one of the component's method."""
    against = _about_bundle(bundle)
    chosen, wrong = _image(component, bundle, version)
    against += wrong
    how = METHODS.get(component.method)
    place = bank or (how.usual if how else None) or ("" if component.method else "spare")
    banks = how.banks if how else None
    if banks == ():
        against.append(f"{component.kind} is overwritten in place, it has no bank to stage into: record its activation")
        place = place or "pending"
    elif banks is not None and place not in banks:
        against.append(f"{component.kind} ({component.method}) has no bank {place!r}, only {' and '.join(banks)}")
    digests = {component.staged_sha256, bundle.sha256 if bundle else ""} - {""}
    again = bool(chosen) and chosen == component.staged and len(digests) < 2
    return RecordChoice(component, chosen, place, tuple(against), again)


def can_be_staged(method: str) -> bool:
    """False for a component that is overwritten in place; one of an unknown method may have a bank."""
    how = METHODS.get(method)
    return how is None or bool(how.banks)


def activating(component: RecordedComponent, bundle: RecordedBundle | None, version: str) -> RecordChoice:
    """Judge activating an image: the one named, else the one that is staged, else the pending one."""
    against = _about_bundle(bundle)
    if bundle is not None or version:
        chosen, wrong = _image(component, bundle, version)
        against += wrong
    else:
        chosen = component.staged or component.pending or ""
        if not chosen:
            read = f"; {component.spare} is in its spare bank, and may be the old image" if component.spare else ""
            against.append(f"no image is known to be staged on it{read}: name the image with --bundle or --version")
    there = {component.staged, component.pending, component.spare, *component.boot_files} - {None, ""}
    if chosen and there and chosen not in there and component.method in STAGED_METHODS:
        against.append(f"{chosen} is not known to be staged on it, but {', '.join(sorted(map(str, there)))}")
    return RecordChoice(component, chosen, "", tuple(against))


def failing(component: RecordedComponent, bundle: RecordedBundle | None, version: str) -> RecordChoice:
    """Which image a failed activation was of: the one named, else the one staged, else the one recorded as activated.

    "" where it is not known. One that is named is judged as one that was activated, and must not run.
    """
    if bundle is None and not version:
        return RecordChoice(component, component.staged or component.pending or component.activated, "", ())
    there = tuple(filter(None, (*component.boot_files, component.activated)))
    choice = activating(replace(component, boot_files=there), bundle, version)
    runs = choice.version == component.runs != (component.staged or "")
    refusals = (*choice.refusals, f"{choice.version} was read back: it runs") if runs else choice.refusals
    return replace(choice, component=component, refusals=refusals)


def misread(component: RecordedComponent, pending: str | None, spare: str | None) -> str:
    """What is wrong with a reading of these banks, for the component's method; "" where it can be."""
    how = METHODS.get(component.method)
    if how is not None and not how.banks and (pending or spare):
        return f"a {component.kind} is overwritten in place, it has no bank for {pending or spare}"
    if how is not None and how.over == SPARE and pending and spare and pending != spare:
        return f"a {component.kind} has two banks: beside the active image one is pending or spare, never both"
    return ""


def _about_bundle(bundle: RecordedBundle | None) -> list[str]:
    if bundle is None:
        return []
    name = f"{bundle.family} {bundle.version}"
    against = []
    if not bundle.stored:
        meant = f"; did you mean {bundle.near}?" if bundle.near else ""
        against.append(f"bundle {name} is not in this store{meant}")
    elif not bundle.verified:
        against.append(f"bundle {name} is in the store but not verified: bundlekeeper verify")
    if bundle.lifecycle == "withdrawn":
        against.append(f"bundle {name} is withdrawn")
    return against


def _image(component: RecordedComponent, bundle: RecordedBundle | None, version: str) -> tuple[str, list[str]]:
    """The version to record, and what is against it."""
    if bundle is None:
        return version, [] if version else ["no image is named: --bundle or --version"]
    of_kind = [i for i in bundle.images if i.kind == component.kind]
    fitting = [i for i in of_kind if component.model in i.models]
    name = f"{bundle.family} {bundle.version}"
    if bundle.images and not of_kind:
        return version or bundle.version, [f"bundle {name} has no image for a {component.kind}"]
    if of_kind and not fitting:
        models = ", ".join(sorted({model for i in of_kind for model in i.models}))
        return version or of_kind[0].version, [
            f"bundle {name}'s {component.kind} image is for {models}, not {component.model or '?'}"
        ]
    if version and fitting and version not in {i.version for i in fitting}:
        return version, [f"bundle {name} has {fitting[0].version} for it, not {version}"]
    return version or (fitting[0].version if fitting else bundle.version), []
