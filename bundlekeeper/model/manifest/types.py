"""The manifest's words as types: what bundles exist, how big, which SHA-256, signed how, allowed after what.

Rules: immutable once read; a key that is not listed here is an error; the types define only what one value may be,
`model.lint` checks what values mean together; nothing here reads a file or a clock. Importing this module costs
pydantic, so only commands that read a manifest import it. `bundlekeeper help manifest` prints
the descriptions of the keys.
"""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from bundlekeeper.model.trust import SignatureForm
from bundlekeeper.model.vocabulary import FAMILIES, AppliedBy, Back, Down, Family, Method

FORMAT = 1

Text = Annotated[str, StringConstraints(min_length=1, max_length=4096)]
Version = Annotated[str, StringConstraints(min_length=1, max_length=128)]
RangeText = Annotated[str, StringConstraints(min_length=1, max_length=512)]
FileName = Annotated[str, StringConstraints(min_length=1)]
PLATFORM = r"^[a-z0-9]+(-[a-z0-9]+)*$"  # small letters and digits, in words joined by single hyphens
MAX_PLATFORM = 64  # characters
Word = Annotated[str, StringConstraints(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=64)]
Kind = Word
OneOrMore = Version | Annotated[tuple[Version, ...], Field(strict=False, min_length=1)]
Count = Annotated[int, Field(ge=0, le=2**63 - 1)]
VersionOrder = Literal["natural", "semver", "debian", "listed"]


class Lifecycle(StrEnum):
    """The state of a bundle by its publisher today."""

    CURRENT = "current"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"


class _Table(BaseModel):
    """A table of the manifest: frozen, strict, no unknown keys; `note` is allowed in every table."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")

    note: str | None = Field(default=None, description="free text for people")


class Versions(_Table):
    """How versions are ordered."""

    order: VersionOrder = Field(default="natural", description="the order of versions")
    list: Annotated[tuple[Version, ...], Field(strict=False)] | None = Field(
        default=None, description="with order = 'listed': every version, oldest first"
    )
    known: tuple[Version, ...] = Field(
        default=(), strict=False, description="versions that exist in the field but are no bundle here"
    )


class Signature(_Table):
    """A detached signature of a bundle."""

    file: FileName = Field(description="name of the signature's file, beside the bundle")
    form: SignatureForm = Field(description="form of the signature; must be the trust entry's")
    key: Text = Field(description="name of the trust entry that it is checked with")


class Image(_Table):
    """The firmware for one kind of component inside a bundle."""

    kind: Kind = Field(description="which kind of component it is for")
    models: tuple[Text, ...] = Field(strict=False, min_length=1, description="for which models of that kind")
    version: Version = Field(description="the image's own version")
    size: Count | None = Field(default=None, description="bytes as transferred")
    unpacked: Count | None = Field(default=None, description="bytes that stay on the component")
    working: Count | None = Field(default=None, description="bytes of temporary space while unpacking")
    minutes: Annotated[int, Field(ge=0, le=100_000)] | None = Field(
        default=None, description="minutes for one component"
    )


class Bundle(_Table):
    """One published file of one family at one version."""

    family: Family = Field(description="which of the platform's families it serves")
    version: Version = Field(description="the bundle's version")
    file: FileName = Field(description="the file's name as published")
    size: Count = Field(description="bytes")
    sha256: str = Field(pattern=r"^[0-9a-fA-F]{64}$", description="64 hexadecimal digits")
    digest_from: Text | None = Field(
        default=None, description="where the digest comes from; 'own copy' when drafted from the file itself"
    )
    released: date | None = Field(default=None, description="the day of its publication")
    lifecycle: Lifecycle = Field(default=Lifecycle.CURRENT, strict=False, description="its state by its publisher")
    reason: Text | None = Field(default=None, description="of a withdrawn one: why it was withdrawn")
    signature: Signature | None = Field(default=None, description="its signature; the table below")
    variant: Word | None = Field(
        default=None, description="one of the manifest's variants; for which surroundings it is"
    )
    base: Version | None = Field(default=None, description="a patch on this base version")
    only: Annotated[tuple[Kind, ...], Field(strict=False)] | None = Field(
        default=None, description="a file with just these kinds"
    )
    images: tuple[Image, ...] = Field(default=(), strict=False, description="what is in it; the table below")


class KindRule(_Table):
    """Overrides of the built-in table of kinds, or a kind of your own."""

    method: Method | None = Field(default=None, description="how the component is written")
    applied_by: AppliedBy | None = Field(default=None, description="who has it applied: an operator, or a policy")
    back: Back | None = Field(default=None, description="the way back")
    down: Down | None = Field(default=None, description="what is down while it restarts")
    pair: bool | None = Field(default=None, description="usually one of a redundant pair")
    turn: Annotated[int, Field(ge=0, le=99)] | None = Field(default=None, description="the lower, the earlier going up")
    ahead: bool | None = Field(default=None, description="may run ahead of everything at no risk")
    lists_models: bool | None = Field(default=None, description="gives the manager the list of models that exist")
    upload: bool | None = Field(
        default=None,
        description="its management service takes a bundle's file as it is, so `stage --upload` may send it",
    )
    none: bool | None = Field(default=None, description="true: this platform has no such component")
    order: VersionOrder | None = Field(default=None, description="order of this kind's image versions")
    list: Annotated[tuple[Version, ...], Field(strict=False)] | None = Field(
        default=None, description="with order = 'listed': every version, oldest first"
    )
    minutes: Annotated[int, Field(ge=0, le=100_000)] | None = Field(
        default=None, description="minutes for one component"
    )
    models: dict[str, KindRule] | None = Field(
        default=None, description="for one model: method, applied_by, back, minutes, upload"
    )


class Release(_Table):
    """Versions of the families that belong together; a list is in order of preference."""

    name: Text = Field(description="how commands name it (`--to`)")
    infrastructure: OneOrMore | None = Field(default=None, description="a version, or several, the best first")
    blade: OneOrMore | None = Field(default=None, description="the same of this family")
    rack: OneOrMore | None = Field(default=None, description="the same of this family")
    source: Text | None = Field(default=None, description="where that is published")

    def versions(self, family: str) -> tuple[str, ...]:
        """The release's versions of one family, preferred first; empty where it names none."""
        value: str | tuple[str, ...] | None = getattr(self, family)
        if value is None:
            return ()
        return (value,) if isinstance(value, str) else value


class RuleSubject(_Table):
    """Which components a rule is about; every key given must match."""

    family: Family | None = Field(default=None, description="components that bundles of this family cover")
    kind: Kind | None = Field(default=None, description="components of this kind")
    models: Annotated[tuple[Text, ...], Field(strict=False)] | None = Field(
        default=None, description="components of these models"
    )
    version: RangeText | None = Field(default=None, description="a range of versions (not in `what`)")


class JumpWhat(_Table):
    """Which components a jump rule is about."""

    family: Family | None = Field(default=None, description="components that bundles of this family cover")
    kind: Kind | None = Field(default=None, description="components of this kind")
    models: Annotated[tuple[Text, ...], Field(strict=False)] | None = Field(
        default=None, description="components of these models"
    )


class Jump(_Table):
    """What may follow what."""

    what: JumpWhat = Field(description="which components jump; the table below")
    to: RangeText = Field(description="the range of versions that they jump to")
    from_: RangeText = Field(alias="from", description="the range that they must come from")
    direction: Literal["up", "down", "both"] = Field(default="up", description="which way the rule allows")
    source: Text = Field(description="where the rule is published; plans quote it")


class Compatible(_Table):
    """Which versions must be beside which, in every state between."""

    scope: Literal["server", "pair", "chassis", "domain"] = Field(description="within what the rule holds")
    when: RuleSubject = Field(description="where these are; the table below")
    need: tuple[RuleSubject, ...] = Field(
        strict=False, min_length=1, description="all of these must be beside them; the table below"
    )
    source: Text = Field(description="where the rule is published; plans quote it")


class Manifest(_Table):
    """The whole manifest."""

    manifest: Literal[1] = Field(description="format of this file")
    platform: Annotated[str, StringConstraints(pattern=PLATFORM, max_length=MAX_PLATFORM)] = Field(
        description="the platform's name: lower case, digits, hyphens"
    )
    sequence: Count = Field(description="the manifest's number; only goes up")
    issued: date = Field(description="the day of issue")
    expires: date | None = Field(default=None, description="the last day on which it is admitted")
    families: tuple[Family, ...] = Field(
        default=FAMILIES, strict=False, min_length=1, description="the families that the platform has"
    )
    variants: tuple[Word, ...] = Field(
        default=(), strict=False, description="words of your own for bundles that are built for different surroundings"
    )
    versions: Versions = Field(default=Versions(), description="how versions are ordered; the tables below")
    bundle: tuple[Bundle, ...] = Field(default=(), strict=False, description="the published files")
    kind: dict[str, KindRule] = Field(default_factory=dict, description="kinds of your own, and other facts of a kind")
    release: tuple[Release, ...] = Field(default=(), strict=False, description="versions that belong together")
    jump: tuple[Jump, ...] = Field(default=(), strict=False, description="what may follow what")
    compatible: tuple[Compatible, ...] = Field(default=(), strict=False, description="what must be beside what")

    def of(self, family: str) -> tuple[Bundle, ...]:
        """The bundles of one family, in the manifest's order."""
        return tuple(bundle for bundle in self.bundle if bundle.family == family)
