"""What a volume has besides its payload, as bytes: the bag's texts, the checksum list, the index, a text for people.

Rules: pure; `SHA256SUMS` lists everything but itself and the tag manifest, which is made after it and lists it;
bagit.txt is in both, and is written last. The index is signed before that and names what people read and run, and the
text with the volume's number: so those texts depend on the set alone, not on the day or on options. The lists name the
index, so the index cannot name them: the receiver compares them with the files that the index names.
Formats: RFC 8493; GNU coreutils manual, "cksum output modes".
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib import resources

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import human_bytes, visible
from bundlekeeper.frozen import dataclass
from bundlekeeper.media.volume import bag_text, read_me
from bundlekeeper.media.volume.folder import INDEX, SIGNATURE, Expected
from bundlekeeper.media.volume.page import assembling
from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex, Text

READ_ME = "READ-ME-FIRST.txt"
SUMS = "SHA256SUMS"
VERIFIER = "verify.py"
TOOL = "tool"
TAG_MANIFEST = bag_text.manifest_name("sha256", tag=True)
_SAME = (VERIFIER, assembling.NAME)  # on every volume
#: Every volume has these, whatever the options.
EVERY = (
    *(bag_text.DECLARATION, bag_text.INFO, bag_text.manifest_name("sha256"), TAG_MANIFEST, SUMS),
    *(READ_ME, VERIFIER, assembling.NAME, INDEX, SIGNATURE),
)


def optional(*, sha512: bool, tool: bool) -> tuple[str, ...]:
    """The files, or folders with a slash at the end, that a volume has by an option."""
    return (*((bag_text.manifest_name("sha512"),) if sha512 else ()), *((f"{TOOL}/",) if tool else ()))


@dataclass(frozen=True, slots=True)
class SignedIndex:
    """A set's index, the bytes that are signed, and the signature's file."""

    index: SetIndex
    data: bytes
    signature: bytes


def tag_files(
    signed: SignedIndex,
    volume: int,
    payload: Mapping[str, Expected],
    tool: Mapping[str, Expected],
) -> dict[str, bytes]:
    """Every tag file of a volume but those of the tool's folder, in the order in which they are written.

    `payload` and `tool` name each file by its path in the bag, with all of its digests. bagit.txt is not among them: it
    is `bag_text.declaration()`, and is written after everything else was verified. Raises InputError for a path that no
    volume can have, UnfinishedError for texts that are not those that the index names.
    """
    index = signed.index
    algorithms = sorted({name for expected in payload.values() for name in expected.digests})
    found = _fixed(index, volume, tuple(index.on(volume)))
    _insist_on_signed(index, volume, found)
    for name in algorithms or ["sha256"]:
        listed = {path: file.digests[name] for path, file in payload.items()}
        found[bag_text.manifest_name(name)] = bag_text.manifest_text(listed).encode()
    found[INDEX] = signed.data
    found[SIGNATURE] = signed.signature
    sums = {name: hashlib.sha256(data).hexdigest() for name, data in found.items()}
    sums |= {path: file.digests["sha256"] for path, file in tool.items()}
    sums[bag_text.DECLARATION] = hashlib.sha256(bag_text.declaration().encode()).hexdigest()
    found[SUMS] = sums_text(sums, {path: file.digests["sha256"] for path, file in payload.items()})
    sums[SUMS] = hashlib.sha256(found[SUMS]).hexdigest()
    found[TAG_MANIFEST] = bag_text.manifest_text(sums).encode()
    return found


def with_texts(index: SetIndex, tool: Mapping[str, Expected]) -> SetIndex:
    """The index with every text that it must name: those of each volume, and the tool's files by their paths in the
    bag."""
    own = [Text(0, path, file.size, file.digests["sha256"]) for path, file in sorted(tool.items())]
    index = replace(index, texts=tuple(own))
    on_it: dict[int, list[tuple[SetFile, FilePart]]] = {number: [] for number in range(1, index.volumes + 1)}
    for file in index.files:
        for part in file.parts:
            on_it[part.volume].append((file, part))
    for number, rows in on_it.items():
        texts = _fixed(index, number, sorted(rows, key=lambda row: row[1].path))
        own += [_as_text(0 if name in _SAME else number, name, data) for name, data in texts.items()]
    return replace(index, texts=tuple(dict.fromkeys(own)))


def insist_on_signed(index: SetIndex, volume: int) -> None:
    """Raise UnfinishedError where this version of bundlekeeper makes other texts for a volume than the index names."""
    _insist_on_signed(index, volume, _fixed(index, volume, tuple(index.on(volume))))


def _insist_on_signed(index: SetIndex, volume: int, texts: Mapping[str, bytes]) -> None:
    named = {path: text for path, text in index.texts_on(volume).items() if not path.startswith(f"{TOOL}/")}
    made = {name: _as_text(named[name].volume if name in named else 0, name, data) for name, data in texts.items()}
    if made != named:
        name = next(name for name in sorted({*made, *named}) if made.get(name) != named.get(name))
        raise UnfinishedError(
            f"another version of bundlekeeper began the set {index.name}: its signed index names another {name}",
            hint="continue with that version; or pack a new set: bundlekeeper media pack",
        )


def signed_tool(index: SetIndex, tool: Mapping[str, Expected]) -> bool:
    """True where the tool's files, by their paths in the bag, are those that the index names."""
    named = {text.path: text.sha256 for text in index.texts if text.path.startswith(f"{TOOL}/")}
    return named == {path: file.digests["sha256"] for path, file in tool.items()}


def tool_left_out() -> Finding:
    """The finding where the tool that the user asked for is not `signed_tool`."""
    message = "it is left out of the volumes that are written now: the set's signed index names another tool, or none"
    return finding("missing", f"{TOOL}/", message, _NEW_SET, Level.WARNING)


def hint_to_have(index: SetIndex, name: str, hint: str) -> str:
    """What to do about a file, or folder with a slash, that a finished volume lacks: the hint where that can help."""
    return hint if name != f"{TOOL}/" or any(text.path.startswith(name) for text in index.texts) else _NEW_SET


_NEW_SET = "pack a new set that carries it: bundlekeeper media pack --with-tool"


def sums_text(texts: Mapping[str, str], payload: Mapping[str, str]) -> bytes:
    """What SHA256SUMS must be for these SHA-256 of texts and payload, by path in the bag."""
    named = {path: digest for path, digest in texts.items() if path not in (SUMS, TAG_MANIFEST)}
    return bag_text.manifest_text({**named, **payload}).encode()


def _as_text(volume: int, name: str, data: bytes) -> Text:
    return Text(volume, name, len(data), hashlib.sha256(data).hexdigest())


def _fixed(index: SetIndex, volume: int, on_it: Sequence[tuple[SetFile, FilePart]]) -> dict[str, bytes]:
    """The texts of a volume that depend on the set alone."""
    with_tool = any(text.path.startswith(f"{TOOL}/") for text in index.texts)
    return {
        bag_text.INFO: _info(index, volume, [part for _, part in on_it]).encode(),
        READ_ME: read_me.text(index, volume, on_it, with_tool=with_tool).encode(),
        VERIFIER: resources.files("bundlekeeper.media.volume").joinpath("verify.py").read_bytes(),
        assembling.NAME: assembling.verify_page(),
    }


def _info(index: SetIndex, volume: int, parts: Sequence[FilePart]) -> str:
    size = sum(part.size for part in parts)
    about = f"firmware bundles, set {index.name} for {visible(index.meant_for)}, volume {volume} of {index.volumes}"
    return bag_text.info_text(
        [
            ("External-Description", about),
            ("External-Identifier", f"{index.set_id}-{volume}"),
            ("Bagging-Date", index.made.date().isoformat()),
            ("Bag-Size", human_bytes(size)),
            ("Payload-Oxum", f"{size}.{len(parts)}"),
            ("Bag-Group-Identifier", index.set_id),
            ("Bag-Count", f"{volume} of {index.volumes}"),
            ("Internal-Sender-Identifier", index.name),
            ("Bag-Software-Agent", "bundlekeeper"),
        ]
    )
