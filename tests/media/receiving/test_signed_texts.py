"""What a volume holds beside its payload is vouched for by the signed index: a text that was replaced is found, though
every list on the volume was made again by whoever replaced it.

The lists are made here by the rules of RFC 8493 and of coreutils' sha256sum, not by the program's own writer.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection
from pathlib import Path

import pytest

from bundlekeeper.errors import UnfinishedError
from bundlekeeper.media.receiving.receive import Reception
from bundlekeeper.media.volume import read_me
from tests.kits.media_kit import Bundle, Site, manifest_text, openings, signed
from tests.kits.media_write_kit import SPLIT, World, packing_of


@pytest.fixture
def tool(tmp_path: Path) -> dict[str, Path]:
    """A tool's folder, small."""
    files = {"requirements.txt": b"# for a test\n", "bundlekeeper-1-py3-none-any.whl": b"wheel"}
    home = tmp_path / "wheels"
    home.mkdir()
    for name, data in files.items():
        (home / name).write_bytes(data)
    return {name: home / name for name in files}


@pytest.fixture
def world(tmp_path: Path) -> World:
    (tmp_path / "main site").mkdir()
    (tmp_path / "stick").mkdir()
    world = World(tmp_path / "main site", SPLIT, 3)
    text = manifest_text([Bundle(each.family, each.version, each.data) for each in SPLIT])
    next((world.kit.root / "manifests").glob("*.toml")).write_bytes(text)
    world.packing = packing_of(world.kit.root, SPLIT, 3)
    return world


@pytest.fixture
def stick(world: World, tmp_path: Path, tool: dict[str, Path]) -> Path:
    assert world.write(tmp_path / "stick", sign=signed, tool=tool).status == 0
    return tmp_path / "stick"


def volume_of(stick: Path, number: int = 1) -> Path:
    return stick / f"marram-set0001-{number}of3"


def lists_again(volume: Path, *, leave: Collection[str] = ()) -> None:
    """Make SHA256SUMS and the tag manifest again over what lies there, as a thief would; `leave` keeps a list."""
    tag = "tagmanifest-sha256.txt"

    def lines(skip: Collection[str], below: str = "") -> str:
        paths = sorted(p.relative_to(volume).as_posix() for p in volume.rglob("*") if p.is_file())
        rows = [p for p in paths if p not in skip and not (below and p.startswith(below))]
        return "".join(f"{hashlib.sha256((volume / p).read_bytes()).hexdigest()}  {p}\n" for p in rows)

    if "SHA256SUMS" not in leave:
        (volume / "SHA256SUMS").write_text(lines({"SHA256SUMS", tag}))
    (volume / tag).write_text(lines({tag}, "data/"))


def reported(came: Reception) -> list[tuple[str, str]]:
    return sorted((f.code, f.subject) for f in came.findings)


def test_a_volume_as_it_was_written_has_no_findings(stick: Path, tmp_path: Path) -> None:
    came = Site(tmp_path / "skerry").receive(stick)
    assert reported(came) == []
    assert came.complete


@pytest.mark.fault(98)
@pytest.mark.parametrize("number", [1, 2, 3])
@pytest.mark.parametrize(
    "name", ["READ-ME-FIRST.txt", "verify.py", "verify.html", "bag-info.txt", "tool/requirements.txt"]
)
def test_a_text_that_was_replaced_is_found(stick: Path, tmp_path: Path, name: str, number: int) -> None:
    """Fault 98: "READ-ME-FIRST or verify.py of a volume replaced, tag manifest made again | found by receive"."""
    volume = volume_of(stick, number)
    with (volume / name).open("ab") as file:
        file.write(b"Note: fine\n")
    lists_again(volume)
    came = Site(tmp_path / "skerry").receive(stick)
    assert reported(came) == [("altered", f"{volume.name}/{name}")]
    assert "signed index" in came.findings[0].message
    assert came.complete, "the payload is verified by the index, whoever wrote the texts"


def test_the_same_size_and_other_bytes(stick: Path, tmp_path: Path) -> None:
    volume = volume_of(stick)
    data = (volume / "verify.py").read_bytes()
    (volume / "verify.py").write_bytes(data.replace(b"return 1 if", b"return 0 if", 1))
    lists_again(volume)
    assert reported(Site(tmp_path / "skerry").receive(stick)) == [("altered", f"{volume.name}/verify.py")]


@pytest.mark.parametrize("name", ["READ-ME-FIRST.txt", "verify.py", "bag-info.txt"])
def test_a_text_that_was_removed_is_reported(stick: Path, tmp_path: Path, name: str) -> None:
    volume = volume_of(stick)
    (volume / name).unlink()
    lists_again(volume)
    assert reported(Site(tmp_path / "skerry").receive(stick)) == [("missing", f"{volume.name}/{name}")]


@pytest.mark.parametrize("name", ["tool/evil.whl", "INSTALL.txt", "autorun.inf"])
def test_a_file_that_was_added_is_reported(stick: Path, tmp_path: Path, name: str) -> None:
    volume = volume_of(stick)
    (volume / name).write_bytes(b"run me")
    lists_again(volume)
    assert reported(Site(tmp_path / "skerry").receive(stick)) == [("extra", f"{volume.name}/{name}")]


@pytest.mark.fault(98)
@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace(text[:8], "00000000", 1),  # another digest
        lambda text: "".join(line for line in text.splitlines(True) if "verify.py" not in line),  # one left out
        lambda text: text + f"{'0' * 64}  tool/more.whl\n",
    ],
)
def test_a_list_for_sha256sum_that_was_made_again(stick: Path, tmp_path: Path, change: Callable[[str], str]) -> None:
    """SHA256SUMS names the index, so the index cannot name it: it must say what the verified files are, and no more."""
    volume = volume_of(stick, 2)
    sums = volume / "SHA256SUMS"
    sums.write_text(change(sums.read_text()))
    lists_again(volume, leave={"SHA256SUMS"})
    assert reported(Site(tmp_path / "skerry").receive(stick)) == [("altered", f"{volume.name}/SHA256SUMS")]


def test_a_thief_who_changes_a_name_is_found_too(stick: Path, tmp_path: Path) -> None:
    """A volume whose texts lost their names is read by its index alone, and its texts are held against it as well."""
    volume = volume_of(stick)
    (volume / "verify.py").write_bytes(b"print('ok')\n")
    lists_again(volume)
    (volume / "manifest-sha256.txt").rename(volume / "MANIFEST-SHA256.TXT")
    came = Site(tmp_path / "skerry").receive(stick)
    assert ("altered", f"{volume.name}/verify.py") in reported(came)


def test_texts_that_lost_their_names_are_known_by_their_bytes(stick: Path, tmp_path: Path) -> None:
    volume = volume_of(stick)
    for name in ("READ-ME-FIRST.txt", "manifest-sha256.txt", "bag-info.txt"):
        (volume / name).rename(volume / name.upper()[:8])
    came = Site(tmp_path / "skerry").receive(stick)
    assert {code for code, _ in reported(came)} == {"misnamed"}


def test_a_text_of_another_size_is_not_read(stick: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file of another size is another file: none of its 100 GB is read."""
    volume = volume_of(stick)
    with (volume / "READ-ME-FIRST.txt").open("ab") as file:
        file.truncate(100 << 30)  # sparse
    opened = openings(monkeypatch)
    assert reported(Site(tmp_path / "skerry").receive(volume)) == [("altered", f"{volume.name}/READ-ME-FIRST.txt")]
    assert "verify.py" in opened
    assert "READ-ME-FIRST.txt" not in opened


def test_the_index_names_each_text_once_for_its_volume(stick: Path, world: World) -> None:
    from bundlekeeper.media.set.remembered_sets import Sets
    from bundlekeeper.model.media.index import read_index
    from bundlekeeper.store.contents.store import Store

    with Store.open(world.kit.root, write=False) as store:
        sets = Sets(store)
        kept = sets.sent_index(sets.sent()[0])
    assert kept is not None
    index = read_index(kept[0])
    for number in (1, 2, 3):
        volume = volume_of(stick, number)
        due = {path: (text.size, text.sha256) for path, text in index.texts_on(number).items()}
        for path, (size, sha256) in due.items():
            data = (volume / path).read_bytes()
            assert (len(data), hashlib.sha256(data).hexdigest()) == (size, sha256)
        assert {"READ-ME-FIRST.txt", "verify.py", "verify.html", "bag-info.txt"} <= set(due)
        lists = {p.name for p in volume.iterdir() if p.is_file()} - set(due)
        assert lists == {
            *("bagit.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt", "SHA256SUMS"),
            *("set-index.json", "set-index.json.sig"),
        }


# A set that goes on another day


def test_volumes_of_another_day_have_the_texts_that_were_signed(
    world: World, tmp_path: Path, tool: dict[str, Path]
) -> None:
    first, later = tmp_path / "first", tmp_path / "later"
    first.mkdir()
    later.mkdir()
    world.write(first, sign=signed, tool=tool, only=(1,))
    assert world.write(later, tool=tool, only=(2, 3)).status == 0
    assert reported(Site(tmp_path / "skerry").receive(first, later)) == []


def test_a_tool_that_the_signed_index_does_not_name_does_not_go_out(
    world: World, tmp_path: Path, tool: dict[str, Path]
) -> None:
    first, later = tmp_path / "first", tmp_path / "later"
    first.mkdir()
    later.mkdir()
    world.write(first, sign=signed, only=(1,))
    written = world.write(later, tool=tool, only=(2,))
    assert [(f.code, f.subject, f.level.value) for f in written.findings] == [("missing", "tool/", "warning")]
    assert not (volume_of(later, 2) / "tool").exists()
    assert reported(Site(tmp_path / "skerry").receive(first, later)) == []


def test_a_tool_that_is_another_now_does_not_go_out(world: World, tmp_path: Path, tool: dict[str, Path]) -> None:
    first, later = tmp_path / "first", tmp_path / "later"
    first.mkdir()
    later.mkdir()
    world.write(first, sign=signed, tool=tool, only=(1,))
    tool["requirements.txt"].write_bytes(b"# for b test\n")
    written = world.write(later, tool=tool, only=(2,))
    assert [(f.code, f.subject) for f in written.findings] == [("missing", "tool/")]
    assert not (volume_of(later, 2) / "tool").exists()


def test_a_set_whose_texts_another_version_made(world: World, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing goes out that the index, as it was signed, does not name; the first volume stays verified."""
    first, later = tmp_path / "first", tmp_path / "later"
    first.mkdir()
    later.mkdir()
    world.write(first, sign=signed, only=(1,))
    monkeypatch.setattr(read_me, "_CAUTIONS", "be careful\n")
    with pytest.raises(UnfinishedError, match="another version of bundlekeeper"):
        world.write(later, only=(2,))
    assert list(later.iterdir()) == []
    assert world.write(first, only=(1,)).status == 0
