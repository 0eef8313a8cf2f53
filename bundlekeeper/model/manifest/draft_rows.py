"""Files for the draft of a manifest, and what their names say about them.

Rules: what a name does not say plainly is unknown and becomes an empty value that lint points at; a guess is marked
for review, so that it never looks like a fact; a name is kept as published; only SHA-256 digests become a manifest's
digests. That publishers put family and version into the name is common practice.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import field

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Code, Finding, Level
from bundlekeeper.formats.escape import counted, visible
from bundlekeeper.formats.toml_edit import basic_string, literal
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.manifest.checksum_list import SHA256, ChecksumLine, ChecksumList
from bundlekeeper.model.manifest.name_guesses import guess_family, guess_version, natural_key
from bundlekeeper.model.versions import Key
from bundlekeeper.model.vocabulary import FAMILIES, INFRASTRUCTURE, KINDS

#: What is reported when a checksum list becomes entries.
LIST_ENTRY_CODES: dict[str, Code] = {
    "other-algorithm": Code(Level.WARNING, "the list has only digests of another algorithm for a file"),
    "listed-twice": Code(Level.ERROR, "the list has two different SHA-256 digests for one file name"),
}


@dataclass(frozen=True, slots=True)
class DraftRow:
    """One file: its name as published, SHA-256 (lower-case hexadecimal) and size, each None where unknown.

    `digest_from` is where this very digest comes from; empty where it is the source of the whole draft. It does not
    make another file of it, so it is not compared.
    """

    file: str
    sha256: str | None = None
    size_bytes: int | None = None
    digest_from: str = field(default="", compare=False)


def publisher(listed: ChecksumList) -> str:
    """The `digest_from` of digests that come from a publisher's list: the list's name without its folder."""
    return f"publisher: {visible(listed.name.rpartition('/')[2])}"


def entries_from_list(listed: ChecksumList) -> tuple[list[DraftRow], list[Finding]]:
    """The files of a list that have one SHA-256 digest, in the list's order, and findings about the others."""
    entries: list[DraftRow] = []
    findings: list[Finding] = []
    for file, lines in listed.by_base_name().items():
        digest, problem = one_digest(listed, file, lines)
        if problem is not None:
            findings.append(problem)
        else:
            entries.append(DraftRow(file, digest, digest_from=publisher(listed)))
    return entries, findings


def one_digest(listed: ChecksumList, file: str, lines: Sequence[ChecksumLine]) -> tuple[str | None, Finding | None]:
    """The one SHA-256 digest of a file in a list's `lines`, or the finding why there is none."""
    ours = [line for line in lines if line.algorithm == SHA256]
    if not ours:
        names = " and ".join(sorted({line.algorithm for line in lines}))
        return None, _about(
            "other-algorithm",
            listed,
            file,
            lines[0],
            f"the list has no SHA-256 digest for it, only {names}",
            "ask the publisher for SHA-256; digests of other algorithms are not used",
        )
    differing = next((line for line in ours if line.digest != ours[0].digest), None)
    if differing is not None:
        return None, _about(
            "listed-twice",
            listed,
            file,
            differing,
            f"line {ours[0].line} has {ours[0].digest}, line {differing.line} has {differing.digest}",
            "find out which line is right; neither is used",
        )
    return ours[0].digest, None


def _about(code: str, listed: ChecksumList, file: str, line: ChecksumLine, message: str, hint: str) -> Finding:
    return Finding(code, LIST_ENTRY_CODES[code].level, file, message, hint, f"{listed.name}:{line.line}:1")


REVIEW = "REVIEW"  # the mark, in a comment, of what a person must look at
#: What a draft writes behind the mark of values that `fill` can set.
REVIEWS = {
    "size": "bytes, from the publisher's page or with `manifest draft --into`",
    "sha256": "64 hexadecimal digits, from the publisher's page",
}
_SIGNATURE_ENDINGS = (".sig", ".asc", ".minisig", ".p7s", ".sign")


def split_signatures(entries: Iterable[DraftRow], known: Collection[str] = ()) -> tuple[list[DraftRow], dict[str, str]]:
    """The bundles among the entries, and the signature file of each that has one beside it, by the bundle's name.

    `known` names further bundles. Raises InputError, with every name that is not UTF-8, which TOML cannot have.
    """
    rows = list(entries)
    wrong = [entry.file for entry in rows if not _is_unicode(entry.file)]
    if wrong:
        raise InputError(
            f"a manifest cannot name {counted(len(wrong), 'file')}: not UTF-8",
            hint="rename the files",
            problems=[Finding("name-unsafe", Level.ERROR, file, "not UTF-8", "rename the file") for file in wrong],
        )
    names = {entry.file for entry in rows}.union(known)
    signatures = {
        entry.file.removesuffix(ending): entry.file
        for entry in rows
        for ending in _SIGNATURE_ENDINGS
        if entry.file.endswith(ending) and entry.file.removesuffix(ending) in names
    }
    files = set(signatures.values())
    return [entry for entry in rows if entry.file not in files], signatures


def _is_unicode(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def in_order(entries: Iterable[DraftRow]) -> list[DraftRow]:
    """By family in their usual order, then by version in natural order, unknown ones last."""

    def key(entry: DraftRow) -> tuple[int, bool, Key]:
        family, version = guess_family(entry.file), guess_version(entry.file)
        place = FAMILIES.index(family) if family else len(FAMILIES)
        return place, version is None, (natural_key(version) or ()) if version else ()

    return sorted(entries, key=key)


def bundle_lines(entry: DraftRow, digest_from: str, signature: str | None = None) -> list[str]:
    """The lines of a [[bundle]] table below its header; an entry's own `digest_from` overrules the one given.

    What is unknown is "" with a comment, which lint refuses at its place; what was guessed from the name has a
    comment, too. Raises InputError for a name or a text that TOML cannot have.
    """
    family, version = guess_family(entry.file), guess_version(entry.file)
    lines = [
        _guess("family", family, "infrastructure, blade or rack"),
        _guess("version", version, "the version as its publisher prints it"),
        _line("lifecycle", None, "current, superseded or withdrawn, by its publisher today"),
        _line("file", entry.file),
        _line("size", entry.size_bytes, REVIEWS["size"]),
        _line("sha256", entry.sha256, REVIEWS["sha256"]),
    ]
    if entry.sha256:
        lines.append(_line("digest_from", entry.digest_from or digest_from))
    if signature:
        lines.append(f'# signature = {{ file = {basic_string(signature)}, form = "…", key = "…" }}  # REVIEW')
    return [*lines, *_images(family)]


def _images(family: str | None) -> list[str]:
    """A skeleton of what is inside, as a comment: only release notes state that, and lint refuses its empty values."""
    kinds = [kind for kind, facts in KINDS.items() if family is None or facts.of_server == (family != INFRASTRUCTURE)]
    return [
        f"# {REVIEW}: what is inside, by its release notes, a line for each kind: {', '.join(kinds)}",
        "# images = [",
        f'#   {{ kind = "{kinds[0]}", models = [""], version = "" }},',
        "# ]",
    ]


def _guess(key: str, value: str | None, review: str) -> str:
    """A line whose value can come from the file's name only: to be reviewed in any case."""
    if value is None:
        return _line(key, None, f"{review}; the file's name does not say")
    return f"{_line(key, value)}  # {REVIEW}: {review}; guessed from the file's name"


def _line(key: str, value: str | int | None, review: str = "") -> str:
    return f'{key} = ""  # {REVIEW}: {review}' if value is None else f"{key} = {literal(value)}"
