"""What is in one bank of a component, and how it changes. Numbers only: words, and sequence numbers of events."""

from __future__ import annotations

from bundlekeeper.ledger.event.rows import NOTHING

#: version, family, bundle, sha256 as words; 0 where not stated.
Image = tuple[int, int, int, int]
#: What is in a bank and the event that put or found it there: None is not known, (None, event) known to be none.
Bank = tuple[Image | None, int] | None


def version_in(bank: Bank) -> int | None:
    """The version of the image in the bank; None for none, and where it is not known."""
    return None if bank is None or bank[0] is None else bank[0][0]


def filled(image: Image, other: Image) -> Image:
    """The image with family, bundle and SHA-256 of `other`, each where it has none.

    Where the two contradict each other, nothing is copied: two bundles may have one version, and the digest of one
    says nothing about the other.
    """
    if any(ours and theirs and ours != theirs for ours, theirs in zip(image[1:], other[1:], strict=True)):
        return image
    return (image[0], image[1] or other[1], image[2] or other[2], image[3] or other[3])


def put(bank: Bank, image: Image, seq: int) -> Bank:
    """The bank with the image in it: a version that was there already keeps its `since`."""
    if bank is not None and bank[0] is not None and bank[0][0] == image[0]:
        return (filled(image, bank[0]), bank[1])
    return (image, seq)


def emptied(bank: Bank, seq: int) -> Bank:
    """The bank with nothing in it: one that was empty keeps its `since`."""
    return bank if bank is not None and bank[0] is None else (None, seq)


def overwritten(bank: Bank, seq: int) -> Bank:
    """The other one of two banks after one was written: empty if it was known, else still not known."""
    return None if bank is None else emptied(bank, seq)


def forgotten(bank: Bank) -> Bank:
    """Not known any more, where an image was in it; none stays none."""
    return None if version_in(bank) is not None else bank


def named(version: int | None) -> int:
    """The version that was read, 0 where none was: not read, or read as none."""
    return 0 if version is None or version == NOTHING else version


def goes(bank: Bank, version: int | None) -> bool:
    """True when a removal empties the bank: no other version is known to be there."""
    there = version_in(bank)
    return there is None or version is None or there == version


def read_in(bank: Bank, version: int, seq: int, known: dict[int, Image]) -> Bank:
    """The bank after a version, or none, was read in it; `known` are the images on the component by version."""
    if version == NOTHING:
        return emptied(bank, seq)
    return put(bank, known.get(version, (version, 0, 0, 0)), seq)
