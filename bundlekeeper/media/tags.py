"""What a volume holds besides its payload, as bytes: the bag's texts, the checksum list, the index, words for people.

Rules: pure; `SHA256SUMS` names everything but itself and the tag manifest, which is made after it and names it;
bagit.txt is in both, and last on the medium. Formats: RFC 8493; GNU coreutils manual, "cksum output modes".
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from importlib import resources

from bundlekeeper import __version__
from bundlekeeper.media import bag_text, read_me
from bundlekeeper.media.volume import INDEX, SIGNATURE, Expected
from bundlekeeper.model.media import SetIndex
from bundlekeeper.model.text import human_bytes, visible

READ_ME = "READ-ME-FIRST.txt"
SUMS = "SHA256SUMS"
VERIFIER = "verify.py"
TOOL = "tool"
TAG_MANIFEST = bag_text.manifest_name("sha256", tag=True)
#: Every volume has these, whatever else was wished for.
EVERY = (
    *(bag_text.DECLARATION, bag_text.INFO, bag_text.manifest_name("sha256"), TAG_MANIFEST, SUMS),
    *(READ_ME, VERIFIER, INDEX, SIGNATURE),
)


def beside(*, sha512: bool, tool: bool) -> tuple[str, ...]:
    """The files, or folders with a slash at the end, that a volume has on wish."""
    return (*((bag_text.manifest_name("sha512"),) if sha512 else ()), *((f"{TOOL}/",) if tool else ()))


@dataclass(frozen=True, slots=True)
class Signed:
    """A set's index, the bytes that are signed, and the signature's file."""

    index: SetIndex
    data: bytes
    signature: bytes


def tag_files(
    signed: Signed,
    volume: int,
    payload: Mapping[str, Expected],
    tool: Mapping[str, Expected],
    bagged: date,
    *,
    fits: str = "",
) -> dict[str, bytes]:
    """Every tag file of a volume but those of the tool's folder, in the order in which they are written.

    `payload` and `tool` name each file by its path in the bag, with all of its digests; `fits` says which Python and
    system the tool is for. bagit.txt is not among them: it
    is `bag_text.declaration()`, and is written when all else is proven. Raises InputError for a path that no volume can
    hold.
    """
    index = signed.index
    algorithms = sorted({name for each in payload.values() for name in each.digests})
    texts = {
        bag_text.INFO: _info(index, volume, payload, bagged),
        READ_ME: read_me.text(index, volume, with_tool=bool(tool), fits=fits),
        **{
            bag_text.manifest_name(name): bag_text.manifest_text(
                {path: each.digests[name] for path, each in payload.items()}
            )
            for name in algorithms or ["sha256"]
        },
    }
    found = {name: text.encode("utf-8") for name, text in texts.items()}
    found[VERIFIER] = resources.files("bundlekeeper.media").joinpath("verify.py").read_bytes()
    found[INDEX] = signed.data
    found[SIGNATURE] = signed.signature
    sums = {name: hashlib.sha256(data).hexdigest() for name, data in found.items()}
    sums |= {path: each.digests["sha256"] for path, each in tool.items()}
    sums[bag_text.DECLARATION] = hashlib.sha256(bag_text.declaration().encode()).hexdigest()
    everything = sums | {path: each.digests["sha256"] for path, each in payload.items()}
    found[SUMS] = bag_text.manifest_text(everything).encode()
    sums[SUMS] = hashlib.sha256(found[SUMS]).hexdigest()
    found[TAG_MANIFEST] = bag_text.manifest_text(sums).encode()
    return found


def _info(index: SetIndex, volume: int, payload: Mapping[str, Expected], bagged: date) -> str:
    size = sum(each.size for each in payload.values())
    about = f"firmware bundles, set {index.name} for {visible(index.meant_for)}, volume {volume} of {index.volumes}"
    return bag_text.info_text(
        [
            ("External-Description", about),
            ("External-Identifier", f"{index.set_id}-{volume}"),
            ("Bagging-Date", bagged.isoformat()),
            ("Bag-Size", human_bytes(size)),
            ("Payload-Oxum", f"{size}.{len(payload)}"),
            ("Bag-Group-Identifier", index.set_id),
            ("Bag-Count", f"{volume} of {index.volumes}"),
            ("Internal-Sender-Identifier", index.name),
            ("Bag-Software-Agent", f"bundlekeeper {__version__}"),
        ]
    )
