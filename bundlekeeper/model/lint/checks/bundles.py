"""What the keys of one bundle mean together, and of bundles among each other.

Rules: common practice, not a standard: a family that is published in variants has one on each of its bundles; a
withdrawal has a reason; a patch has a base.
"""

from __future__ import annotations

from collections.abc import Iterator

from bundlekeeper.formats.text_file import shown
from bundlekeeper.formats.toml_positions import Path
from bundlekeeper.model.lint.common.format import did_you_mean
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose, LooseBundle, items
from bundlekeeper.model.manifest.name_guesses import guess_version, natural_key


def check_bundles(loose: Loose) -> Iterator[Problem]:
    """Every problem of the bundles but their digests, names, dates and versions' order."""
    seen: dict[tuple[object, ...], Path] = {}
    words = [word for _, word in items(loose.raw, "variants")]
    named = {bundle.family: bundle for bundle in reversed(loose.bundles) if bundle.variant is not None}
    for bundle in loose.bundles:
        yield from _variant(bundle, words, named.get(bundle.family))
        yield from _lifecycle(bundle)
        yield from _base(loose, bundle)
        yield from _version_in_name(bundle)
        yield from _only(loose, bundle)
        yield from _images(bundle)
        if bundle.family is None or bundle.version is None:
            continue
        only = frozenset(kind for _, kind in items(bundle.table, "only"))
        key = (bundle.family, bundle.version, bundle.variant, str(bundle.table.get("base")), only)
        if key in seen:
            message = f"a second bundle of {bundle.family} {shown(bundle.version)}"
            hint = "keep one; where they do differ, say how: variant, onto or only"
            yield Problem("bundle-twice", (*bundle.path, "version"), message, hint, other=(*seen[key], "version"))
        seen.setdefault(key, bundle.path)


def _variant(bundle: LooseBundle, words: list[str], other: LooseBundle | None) -> Iterator[Problem]:
    """`words` are the manifest's variants, `other` the family's first bundle that names one."""
    if bundle.variant is not None and bundle.variant not in words:
        message = f"{shown(bundle.variant)} is none of the manifest's variants"
        hint = did_you_mean(bundle.variant, words) or f'add "{bundle.variant}" to variants, or leave variant out here'
        yield Problem("variant-misplaced", (*bundle.path, "variant"), message, hint)
    if "variant" not in bundle.table and bundle.family is not None and other is not None:
        message = f"{bundle.called} names no variant, other bundles of {bundle.family} do"
        hint = f"add variant = …, one of {', '.join(words)}" if words else "add variant = …"
        yield Problem("variant-missing", bundle.path, message, hint, other=(*other.path, "variant"))


def _lifecycle(bundle: LooseBundle) -> Iterator[Problem]:
    lifecycle, reason = bundle.table.get("lifecycle", "current"), bundle.table.get("reason")
    blank = isinstance(reason, str) and not reason.strip()
    if lifecycle == "withdrawn" and (reason is None or blank):
        path = bundle.path if reason is None else (*bundle.path, "reason")
        message = f"{bundle.called} is withdrawn and no reason is given"
        yield Problem("reason-missing", path, message, 'add reason = "…", in the publisher\'s words')
    elif lifecycle in ("current", "superseded") and reason is not None:
        message = f"reason is for withdrawn bundles; this one is {lifecycle}"
        hint = 'if it was withdrawn, write lifecycle = "withdrawn"; else use note'
        yield Problem("reason-unneeded", (*bundle.path, "reason"), message, hint, on_key=True)
        if blank:
            yield Problem("bad-value", (*bundle.path, "reason"), "reason is empty", "delete it")


def _base(loose: Loose, bundle: LooseBundle) -> Iterator[Problem]:
    base = bundle.table.get("base")
    if bundle.family is None or not isinstance(base, str) or not base:
        return
    if base not in loose.known and all(b is bundle for b in loose.at(bundle.family, base)):
        message = f"the base {shown(base)} is no other bundle of {bundle.family} and no known version"
        hint = (
            did_you_mean(base, loose.some_versions(bundle.family))
            or "add the base's bundle, or its version to known under [versions]"
        )
        yield Problem("base-unknown", (*bundle.path, "base"), message, hint)


def _version_in_name(bundle: LooseBundle) -> Iterator[Problem]:
    """A file whose name can only hold another version than its entry: one of the two is mistaken, or a copied line."""
    if bundle.file is None or bundle.version is None:
        return
    named = guess_version(bundle.file)
    if named in {None, bundle.version} or natural_key(named) == natural_key(bundle.version):
        return
    message = f"the file's name holds {shown(named)}, the entry's version is {shown(bundle.version)}"
    hint = "is it a copied line, or the wrong file? If both are right, there is nothing to do"
    yield Problem("version-in-name", (*bundle.path, "version"), message, hint)


def _only(loose: Loose, bundle: LooseBundle) -> Iterator[Problem]:
    only = {kind: path for path, kind in items(bundle.table, "only", bundle.path)}
    if not only or not bundle.images:
        return
    stored = {image.kind for image in bundle.images}
    for kind, path in only.items():
        if kind not in stored and kind in loose.all_kinds:
            message = f"only names {shown(kind)}, but no image is of that kind"
            yield Problem("only-differs", path, message, "add the image, or delete the kind from only")
    for image in bundle.images:
        if image.kind in loose.all_kinds and image.kind not in only:
            message = f"an image of {shown(image.kind)}, a kind that only does not name"
            yield Problem("only-differs", (*image.path, "kind"), message, "add the kind to only, or delete only")


def _images(bundle: LooseBundle) -> Iterator[Problem]:
    seen: dict[tuple[str, str], Path] = {}
    for image in bundle.images:
        for model in dict.fromkeys(image.models):
            if image.kind is None:
                continue
            if (image.kind, model) in seen:
                message = f"a second image of {shown(image.kind)} for model {shown(model)} in {bundle.called}"
                hint = "delete one: a bundle has one image for one kind and model"
                yield Problem("image-twice", image.path, message, hint, other=seen[image.kind, model])
            seen.setdefault((image.kind, model), image.path)
