"""An image that is there already: whether it is this volume of this set, and whole, so that it need not be made again.

Rules: it is of this set when the kept index and signature are in it, byte for byte; it is whole when every file of the
volume was read from it and is right: the payload by the index, the rest by the volume's own list, and no file of a
volume is missing; whatever error the library raises for a file that is no image, that is no internal error.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import struct
from collections.abc import Collection, Iterator
from pathlib import Path

from bundlekeeper.errors import InputError, UnfinishedError
from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats import limits
from bundlekeeper.media.volume import bag_text, tag_files
from bundlekeeper.media.volume.folder import INDEX, SIGNATURE
from bundlekeeper.media.volume.tag_files import SignedIndex
from bundlekeeper.media.writing.iso import DiscImage, opened_image, read_image
from bundlekeeper.model.progress import Progress
from bundlekeeper.verification.hashing.read import Stop

#: What pycdlib raises beside its own errors for bytes that are no image, or one that was damaged.
_BROKEN = (struct.error, ValueError, LookupError, TypeError, AttributeError, OverflowError, RecursionError)
_MOST = 200_000  # files of a volume


def insist_on_own(path: Path, signed: SignedIndex | None, number: int) -> None:
    """Raise InputError where the file there is not the image of this volume of this set."""
    if signed is not None:
        with contextlib.suppress(UnfinishedError, OSError), _reading(path):
            folder = signed.index.folder(number)
            kept = ((INDEX, signed.data), (SIGNATURE, signed.signature))
            if all(_small(path, f"{folder}/{name}", limits.SET_INDEX_BYTES) == data for name, data in kept):
                return
    raise InputError(f"an image is there already: {path}", where=str(path), hint="name another with --iso")


def verify_there(
    path: Path, signed: SignedIndex, number: int, asked: Collection[str], progress: Progress, stop: Stop | None
) -> DiscImage:
    """Verify an image that is there. `asked` are the optional files, or folders with a slash, that this
    run asks for.

    Raises InputError where it is not the whole image of this volume, StoppedError.
    """
    insist_on_own(path, signed, number)
    folder = signed.index.folder(number)
    try:
        with _reading(path):
            sizes = dict(_listed(path, folder))
            found, level, reason = read_image(path, folder, sizes, progress, stop)
            stated = _stated(path, folder, signed, number)
    except (UnfinishedError, OSError) as e:
        raise _not_whole(path, e.message if isinstance(e, UnfinishedError) else str(e.strerror)) from e
    for name in sorted({*stated, *found, *tag_files.EVERY}):
        if name not in found:
            raise _not_whole(path, f"{name} is missing")
        if name != tag_files.TAG_MANIFEST and stated.get(name) != found[name]:
            raise _not_whole(path, f"{name} differs from what was written")
    beside = tuple(_lacking(path, signed, number, name) for name in asked if not any(f.startswith(name) for f in found))
    return DiscImage(str(path), path.stat().st_size, level, reason, (), there=True, beside=beside)


def _stated(path: Path, folder: str, signed: SignedIndex, number: int) -> dict[str, str]:
    """The SHA-256 that each file must have: by the kept index, and for the rest by the volume's own list."""
    text = _small(path, f"{folder}/{tag_files.TAG_MANIFEST}", limits.TAG_BYTES).decode("utf-8")
    stated = dict(bag_text.read_manifest(text, "sha256", "1.0").checksums)
    stated |= {INDEX: hashlib.sha256(signed.data).hexdigest(), SIGNATURE: hashlib.sha256(signed.signature).hexdigest()}
    return stated | {f"{bag_text.PAYLOAD}/{part.path}": part.sha256 for _, part in signed.index.on(number)}


def _listed(path: Path, folder: str) -> Iterator[tuple[str, int]]:
    """The files in the image's folder with their sizes in bytes."""
    with opened_image(path) as (disc, _):
        count = 0
        for above, _, names in disc.walk(udf_path=f"/{folder}"):
            for name in names:
                full = f"{above.rstrip('/')}/{name}"
                yield full.removeprefix(f"/{folder}/"), disc.get_record(udf_path=full).get_data_length()
                count += 1
                if count > _MOST:
                    raise UnfinishedError("more files than a volume has", where=str(path))


def _small(path: Path, name: str, limit: int) -> bytes:
    with opened_image(path) as (disc, _):
        if disc.get_record(udf_path=f"/{name}").get_data_length() > limit:
            raise UnfinishedError(f"{name} is far too large", where=str(path))
        into = io.BytesIO()
        disc.get_file_from_iso_fp(into, udf_path=f"/{name}")
        return into.getvalue()


@contextlib.contextmanager
def _reading(path: Path) -> Iterator[None]:
    try:
        yield
    except _BROKEN as e:
        raise UnfinishedError("it is not an image that can be read", where=str(path)) from e


def _not_whole(path: Path, message: str) -> InputError:
    return InputError(
        f"an image is there already, and it is not whole: {message}",
        where=str(path),
        hint="name another with --iso, or move it away",
    )


def _lacking(path: Path, signed: SignedIndex, number: int, name: str) -> Finding:
    message = f"the image of volume {number} was made without it; nothing is added to an image"
    hint = tag_files.hint_to_have(signed.index, name, "remove the image to make it again")
    return finding("missing", f"{path}: {name}", message, hint, Level.WARNING)
