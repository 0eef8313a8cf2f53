"""The label sheet of a media set: names, numbers, the ends of digests, and codes to scan, on one page to print.

Rules: nothing is computed but how digests are shortened; a code holds what the label says and nothing secret; no key
and no fingerprint stands on it, because it travels with the media.
"""

from __future__ import annotations

from dataclasses import dataclass

from bundlekeeper.formats.escape import human_bytes
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
        said = f"{index.name} - {title}; set {index.set_id}; index {index_sha256}"
        drawn = Markup(qr.svg(said, scale=2))  # noqa: S704  (made by segno; the text in it is drawn, not written)
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
    """The first and last digits of a digest, which is what people compare; never enough to verify anything."""
    return f"{digest[:_ENDS]}…{digest[-_ENDS:]}"


def _about(index: SetIndex, number: int) -> str:
    rows = list(index.on(number))
    return f"{len(rows)} files, {human_bytes(sum(component.size for _, component in rows))}"


def _rows(index: SetIndex, number: int) -> tuple[_Row, ...]:
    rows = [(each, component) for each, component in index.on(number) if each.role in {"bundle", "notice"}]
    return tuple(
        _Row(component.path.rpartition("/")[2], human_bytes(component.size), shortened(component.sha256))
        for _, component in rows
    )
