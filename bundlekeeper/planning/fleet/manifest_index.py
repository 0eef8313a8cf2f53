"""A manifest, indexed for planning: which image each bundle brings for a kind and model, and how it is written.

Rules: of a family that is published in variants only the bundles of the right one are meant (`suits`); a patch (`base`)
brings its base's images where it has none of its own; a file with `only` some kinds is about nothing else; image
versions follow the kind's own order, bundle versions the manifest's; what neither the built-in table of kinds nor the
manifest says of a kind is None. Nothing here changes after it was made.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.frozen import dataclass
from bundlekeeper.model import versions
from bundlekeeper.model.vocabulary import (
    EFFECTS,
    FIRST_TURN,
    HALF,
    INFRASTRUCTURE,
    KINDS,
    LAST_TURN,
    METHODS,
    SERVER_FAMILIES,
    WHOLE,
)
from bundlekeeper.planning.fleet.version_scale import VersionScale

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Component
    from bundlekeeper.model.manifest.types import Bundle, Image, KindRule, Manifest, Release


@dataclass(frozen=True, slots=True)
class ComponentFacts:
    """How components of one kind and model get their image; None is not known. `minutes` is for one component.

    `assumed_minutes` is True where no manifest says the minutes and the built-in table's are meant.
    """

    method: str | None
    applied_by: str | None
    back: str | None
    minutes: int | None
    assumed_minutes: bool
    down: str
    effect: str
    pair: bool | None
    in_chassis: bool
    turn: int
    ahead: bool
    lists_models: bool
    upload: bool

    @property
    def over(self) -> str | None:
        """The bank that its method writes over; None where that adds a file, and where the method is not known."""
        return METHODS[self.method].over if self.method else None

    @property
    def files(self) -> bool:
        """True where its image goes into its file system."""
        return self.method is not None and METHODS[self.method].files


@dataclass(frozen=True, slots=True)
class ImageOffer:
    """One image with the bundle that brings it."""

    bundle: Bundle
    image: Image


class ManifestIndex:
    """The index of one manifest."""

    def __init__(self, manifest: Manifest) -> None:
        """Raises VersionError for an order that cannot be made; a manifest that was read well has none."""
        self.manifest = manifest
        self.scale_of_bundles = _scale(manifest.versions.order, manifest.versions.list)
        self._scales = {
            kind: _scale(rule.order, rule.list) for kind, rule in manifest.kind.items() if rule.order is not None
        }
        self._facts: dict[tuple[str, str | None], ComponentFacts] = {}
        self._bundles: dict[str, tuple[Bundle, ...]] = {}
        self._offers: dict[tuple[str, str, str], list[ImageOffer]] = {}
        self._whole: dict[int, dict[tuple[str, str], ImageOffer]] = {}
        self._lists: dict[tuple[str, str | None, str, str], tuple[str, str] | None] = {}
        self._in_variants: dict[str, bool] = {}
        self._listed: dict[str, set[str]] = {}  # family -> the kinds that any bundle of it lists
        for family in (INFRASTRUCTURE, *SERVER_FAMILIES):
            rows = [bundle for bundle in manifest.bundle if bundle.family == family]
            rows.sort(key=self._place)
            self._bundles[family] = tuple(rows)
            self._in_variants[family] = any(bundle.variant is not None for bundle in rows)
            self._listed[family] = {image.kind for b in self._bundles[family] for image in b.images}
            for bundle in self._bundles[family]:
                for image in bundle.images:
                    for model in dict.fromkeys(image.models):
                        self._offers.setdefault((family, image.kind, model), []).append(ImageOffer(bundle, image))

    def _place(self, bundle: Bundle) -> tuple[bool, versions.Key, str]:
        key = self.scale_of_bundles.key(bundle.version)
        return (key is None, key or (), bundle.version)

    def scale(self, kind: str | None) -> VersionScale:
        """The order of the kind's image versions, or without a kind that of bundle versions."""
        return self.scale_of_bundles if kind is None else self._scales.get(kind, self.scale_of_bundles)

    def facts(self, kind: str, model: str | None) -> ComponentFacts:
        """How components of the kind and model get their image: by the manifest, else by the built-in table."""
        key = (kind, model)
        if key not in self._facts:
            rule = self.manifest.kind.get(kind)
            rules = [rule] if rule else []
            own = rule.models.get(model) if rule and rule.models and model else None
            self._facts[key] = _merged(kind, [own, *rules] if own else rules)
        return self._facts[key]

    def is_of_server(self, kind: str) -> bool:
        """True for components of servers; a kind of the manifest's own is one unless only infrastructure bundles list
        it."""
        known = KINDS.get(kind)
        if known is not None:
            return known.of_server
        listing = {family for family, kinds in self._listed.items() if kind in kinds}
        return listing != {INFRASTRUCTURE}

    def by_policy(self, component: Component) -> bool | None:
        """Whether the component is a server's that takes its image by policy; None where that is not known."""
        if not self.is_of_server(component.kind):
            return False
        applied_by = self.facts(component.kind, component.model).applied_by
        return None if applied_by is None else applied_by == "policy"

    def variants(self, family: str) -> tuple[str, ...]:
        """The variants that the family is published in; none for most families."""
        return tuple(dict.fromkeys(bundle.variant for bundle in self._bundles[family] if bundle.variant is not None))

    def variant(self, family: str, word: str | None) -> str | None:
        """The variant that something takes of a family: what the inventory names (`word`), or the only one.

        Empty for a family that is not published in variants; None where several exist and the inventory names none.
        """
        if not self._in_variants[family]:
            return ""
        if word is None and len(self.manifest.variants) == 1:
            return self.manifest.variants[0]
        return word

    def bundles(self, family: str) -> tuple[Bundle, ...]:
        """The family's bundles in every variant, oldest first."""
        return self._bundles[family]

    def at(self, family: str, version: str) -> tuple[Bundle, ...]:
        """The family's bundles of exactly that version, in every variant; a file with all kinds first."""
        rows = [bundle for bundle in self._bundles[family] if bundle.version == version]
        return tuple(sorted(rows, key=is_part))

    def at_variant(self, family: str, version: str, variant: str | None) -> tuple[Bundle, ...]:
        """The same for what takes that variant."""
        return tuple(bundle for bundle in self.at(family, version) if suits(bundle, variant))

    def offers(self, family: str, variant: str | None, kind: str, model: str) -> tuple[ImageOffer, ...]:
        """What the family's bundles bring for the kind and model in that variant, oldest bundle first."""
        offers = self._offers.get((family, kind, model), ())
        return tuple(offer for offer in offers if suits(offer.bundle, variant))

    def families_of(self, kind: str, model: str) -> tuple[str, ...]:
        """The families whose bundles list the kind and model."""
        return tuple(f for f in (INFRASTRUCTURE, *SERVER_FAMILIES) if (f, kind, model) in self._offers)

    def has(self, kind: str) -> bool:
        """False where the manifest says that its platform has no such component."""
        rule = self.manifest.kind.get(kind)
        return rule is None or not rule.none

    @property
    def model_lists(self) -> tuple[str, ...]:
        """The kinds that list for the manager which models exist, as far as the platform has, or may have, one."""
        kinds = dict.fromkeys((*KINDS, *self.manifest.kind))
        return tuple(k for k in kinds if self.facts(k, None).lists_models and self.may_list_kind(INFRASTRUCTURE, k))

    def lists_kind(self, family: str, kind: str) -> bool:
        """True when any bundle of the family lists an image of the kind."""
        return kind in self._listed[family]

    def may_list_kind(self, family: str, kind: str) -> bool:
        """True unless it is known that no bundle of the family has an image of the kind."""
        unlisted = (bundle for bundle in self._bundles[family] if not bundle.images)
        if not self.has(kind):
            return False
        return self.lists_kind(family, kind) or any(bundle.only is None or kind in bundle.only for bundle in unlisted)

    def base(self, bundle: Bundle) -> Bundle | None:
        """The bundle that a patch goes onto; None for no patch, and where the base is no bundle of this manifest."""
        if bundle.base is None or bundle.base == bundle.version:
            return None
        return next(iter(self.at_variant(bundle.family, bundle.base, bundle.variant)), None)

    def chain(self, bundle: Bundle) -> tuple[Bundle, ...]:
        """The bundles that must be written in turn: the base first, then its patches, `bundle` last."""
        found = [bundle]
        while (base := self.base(found[0])) is not None and base not in found:
            found.insert(0, base)
        return tuple(found)

    def whole(self, bundle: Bundle) -> dict[tuple[str, str], ImageOffer]:
        """What is on the components after the bundle and its bases were written: (kind, model) -> the offer."""
        if id(bundle) not in self._whole:
            found: dict[tuple[str, str], ImageOffer] = {}
            for link in self.chain(bundle):
                for image in link.images:
                    found.update({(image.kind, model): ImageOffer(link, image) for model in image.models})
            self._whole[id(bundle)] = found
        return self._whole[id(bundle)]

    def first_list(self, kind: str, of: str | None, family: str, model: str) -> tuple[str, str] | None:
        """The oldest list that came with a release whose bundle of the family lists the model: release and version.

        An inference where no rule is about it: releases were tested together, so that list knew the model; so were
        bundles of one version that no release names (common practice). `kind` is the list's, `of` the model of the
        component that it is on. None where no release shows it.
        """
        key = (kind, of, family, model)
        if key not in self._lists:
            scale = self.scale(kind)
            best: tuple[str, str] | None = None
            for release, version in self._lists_for(kind, of or "", family, model):
                if best is None or scale.compare(version, best[1]) == -1:
                    best = (release, version)
            self._lists[key] = best
        return self._lists[key]

    def _lists_for(self, kind: str, of: str, family: str, model: str) -> Iterator[tuple[str, str]]:
        for release in self.manifest.release:
            bundles = [bundle for v in release.versions(family) for bundle in self.at(family, v)]
            if not any(listed == model for bundle in bundles for _, listed in self.whole(bundle)):
                continue
            for version in release.versions(INFRASTRUCTURE):
                for bundle in self.at(INFRASTRUCTURE, version):
                    offer = self._list_with(bundle, kind, of)
                    if offer is not None:
                        yield release.name, offer.image.version
        named = {version for release in self.manifest.release for version in release.versions(INFRASTRUCTURE)}
        for bundle in self._bundles[INFRASTRUCTURE]:
            beside = self.at(family, bundle.version) if bundle.version not in named else ()
            if any(listed == model for other in beside for _, listed in self.whole(other)):
                offer = self._list_with(bundle, kind, of)
                if offer is not None:
                    yield bundle.version, offer.image.version

    def _list_with(self, bundle: Bundle, kind: str, of: str) -> ImageOffer | None:
        """The list that runs with an infrastructure bundle: its own, else the newest of an older bundle, which it
        leaves as it is."""
        own = self.whole(bundle).get((kind, of))
        if own is not None or not bundle.images:
            return own
        compare = self.scale_of_bundles.compare
        older = [
            o
            for o in self._offers.get((INFRASTRUCTURE, kind, of), ())
            if compare(o.bundle.version, bundle.version) == -1
        ]
        return older[-1] if older else None

    def release(self, name: str) -> Release:
        """The release of that name. Raises InputError, with a suggestion, where there is none."""
        for release in self.manifest.release:
            if release.name == name:
                return release
        names = [release.name for release in self.manifest.release]
        raise InputError(f"the manifest has no release {name!r}", hint=near(name, names) or "it names none at all")


def suits(bundle: Bundle, variant: str | None) -> bool:
    """True where the bundle is for what takes that variant; one that names none is for any."""
    return bundle.variant is None or bundle.variant == variant


def is_part(bundle: Bundle) -> bool:
    """True for a file that brings only some kinds and goes onto no base: it is not about the other components."""
    return bundle.only is not None and bundle.base is None


def near(word: str, known: Iterable[str]) -> str:
    """A hint: the known word that is meant, else the known words; empty where nothing is known."""
    words = list(known)[:1000]
    import difflib  # only where a word is wrong

    found = difflib.get_close_matches(word, words, n=1)
    if found:
        return f"did you mean {found[0]!r}?"
    return f"one of {', '.join(words[:20])}" if words else ""


def _scale(name: str, listed: tuple[str, ...] | None) -> VersionScale:
    return VersionScale(versions.order(name, listed or ()))


def _merged(kind: str, rules: list[KindRule]) -> ComponentFacts:
    """The first value of each key wins: the model's, the kind's, the built-in table's."""
    known = KINDS.get(kind)

    def said(key: str, default: object) -> Any:  # noqa: ANN401  (the key's own type)
        found = next((v for rule in rules if (v := getattr(rule, key)) is not None), None)
        return found if found is not None else getattr(known, key, default)

    minutes = next((rule.minutes for rule in rules if rule.minutes is not None), None)
    method, down, pair = said("method", None), said("down", None), said("pair", None)
    if down == HALF and pair is False:
        down = WHOLE
    back = next((rule.back for rule in rules if rule.back is not None), None)
    if back is None and method is not None:
        back = known.back if known and known.method == method else METHODS[method].back
    effect = known.effect if known and known.down == down else ""
    ahead = bool(said("ahead", False))
    return ComponentFacts(
        method=method,
        applied_by=said("applied_by", None),
        back=back,
        minutes=said("minutes", None),
        assumed_minutes=minutes is None,
        down=down or "server",
        effect=effect or (EFFECTS[down] if down else "not known: planned as a restart of the server"),
        pair=pair,
        in_chassis=known is not None and known.in_chassis,
        turn=FIRST_TURN if ahead else said("turn", LAST_TURN),
        ahead=ahead,
        lists_models=bool(said("lists_models", False)),
        upload=bool(said("upload", False)),
    )
