"""The label sheet of a media set: names, numbers, the ends of digests, and codes to scan, on one page to print.

Rules: digests are shortened, and nothing else is computed; a code has the label's text and nothing secret; a label has
no key and no fingerprint, because it travels with the media.
"""

from __future__ import annotations

from dataclasses import dataclass

from bundlekeeper.formats.escape import counted, human_bytes
from bundlekeeper.model.media.index import SetIndex
from bundlekeeper.reports import pages, qr

_ENDS = 8  # digits of each end of a digest that a person compares


@dataclass(frozen=True, slots=True)
class _Row:
    name: str
    size: str
    digest: str


@dataclass(frozen=True, slots=True)
class _Label:
    title: str
    folder: str
    about: str
    rows: tuple[_Row, ...]
    drawn: str


def page(index: SetIndex, index_sha256: str) -> str:
    """The HTML of the sheet, whole without a network; `index_sha256` is the digest of the set's signed index."""
    from markupsafe import Markup

    labels = []
    for number in range(1, index.volumes + 1):
        title = f"volume {number} of {index.volumes}"
        code = f"{index.name} - {title}; set {index.set_id}; index {index_sha256}"
        drawn = Markup(qr.svg(code, scale=2))  # noqa: S704  (made by segno; the text in it is drawn, not written)
        labels.append(_Label(title, index.folder(number), _about(index, number), _rows(index, number), drawn))
    facts = [
        ("set id", index.set_id),
        ("for", index.meant_for),
        ("made", f"{index.made:%Y-%m-%d %H:%M} UTC"),
        ("manifest", f"{index.platform}, sequence {index.manifest_sequence}, SHA-256 {shortened(index.manifest)}"),
        ("signed index", f"SHA-256 {shortened(index_sha256)}"),
    ]
    return pages.render("labels.html", page={"title": index.name, "facts": facts, "labels": labels})


def shortened(digest: str) -> str:
    """The first and last digits of a digest, which people compare; they are not enough to verify a file."""
    return f"{digest[:_ENDS]}…{digest[-_ENDS:]}"


def _about(index: SetIndex, number: int) -> str:
    rows = list(index.on(number))
    return f"{counted(len(rows), 'file')}, {human_bytes(sum(part.size for _, part in rows))}"


def _rows(index: SetIndex, number: int) -> tuple[_Row, ...]:
    parts = [part for file, part in index.on(number) if file.role in {"bundle", "notice"}]
    return tuple(_Row(part.path.rpartition("/")[2], human_bytes(part.size), shortened(part.sha256)) for part in parts)
