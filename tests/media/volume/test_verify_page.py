"""The page that verifies a volume, in a real browser: what it says of files, what it cannot do, and how it is used."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from bundlekeeper.media.volume.page import assembling
from tests.kits.browser import WIDTHS, barriers, overflows
from tests.kits.digest_kit import cavp
from tests.kits.media_write_kit import World
from tests.kits.page_scripts import lint_errors, type_errors

PAYLOAD = "infrastructure"
HOSTILE = "<img src=x onerror=ran=1>\u202e.bin"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A volume as it is written."""
    folder = tmp_path_factory.mktemp("written")
    (folder / "stick").mkdir()
    World(folder).write(folder / "stick")
    return folder / "stick" / "marram-set0001-1of1"


@pytest.fixture
def volume(written: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may change."""
    return Path(shutil.copytree(written, tmp_path / written.name))


@pytest.fixture
def page(chromium: Browser, written: Path) -> Iterator[Page]:
    """The page, opened from the volume itself; nothing in it fails or is refused."""
    context = chromium.new_context()
    page = context.new_page()
    wrong: list[str] = []
    page.on("console", lambda message: wrong.append(message.text))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("request", lambda request: None if request.url.startswith("file:") else wrong.append(request.url))
    page.goto((written / assembling.NAME).as_uri())
    yield page
    context.close()
    assert wrong == []


def choose(page: Page, *paths: Path) -> str:
    """Choose a folder, or single files; the verdicts when everything was read."""
    page.set_input_files("#folder" if paths[0].is_dir() else "#files", [*paths])
    page.locator("#verdict p").first.wait_for()
    page.locator("#work").wait_for(state="hidden")
    return "\n".join(page.locator("#verdict p").all_inner_texts())


def rows(page: Page) -> dict[str, tuple[str, str]]:
    """State and note of each file that is shown, by its path."""
    page.evaluate("document.querySelectorAll('details').forEach((more) => more.open = true)")
    for number in range(page.locator("details").count()):
        page.locator("details table").nth(number).wait_for()
    cells = "[...document.querySelectorAll('tbody tr')].map((row) => [...row.cells].map((cell) => cell.textContent))"
    return {path: (state, note) for state, path, note in page.evaluate(cells)}


def test_a_volume_as_it_was_written_is_whole(page: Page, volume: Path) -> None:
    """Every file that SHA256SUMS lists, and the list itself; nothing else is on it."""
    assert choose(page, volume).startswith(f"{volume.name}: WHOLE: all ")
    listed = {line.split("  ", 1)[1] for line in (volume / "SHA256SUMS").read_text().splitlines()}
    shown = rows(page)
    assert set(shown) == listed | {"SHA256SUMS"}
    assert {state for state, _ in shown.values()} == {"whole"}
    assert assembling.NAME in listed


def test_altered_missing_and_extra_files_are_named(page: Page, volume: Path) -> None:
    """One turned bit, a file that is gone, one that no list has; whatever else is whole is said to be."""
    bundles = sorted((volume / "data").rglob("*.bin"))
    data = bytearray(bundles[0].read_bytes())
    data[len(data) // 2] ^= 1
    bundles[0].write_bytes(data)
    bundles[1].unlink()
    (volume / "autorun.inf").write_text("x")
    altered, missing = (bundle.relative_to(volume).as_posix() for bundle in bundles[:2])
    verdict = choose(page, volume)
    shown = rows(page)
    wrong = {path: state for path, (state, _) in shown.items() if state != "whole"}
    assert wrong == {altered: "altered", missing: "missing", "autorun.inf": "extra"}
    assert hashlib.sha256(data).hexdigest() in shown[altered][1]
    whole = len(shown) - 3
    assert verdict == f"{volume.name}: NOT WHOLE: 1 altered, 1 missing, 1 extra; {whole} files are whole"


def test_a_list_that_is_gone_or_changed_is_no_good_news(page: Page, volume: Path) -> None:
    """Lists that disagree, a list that is missing, a folder that has none."""
    sums = volume / "SHA256SUMS"
    bundle = next((volume / "data").rglob("*.bin")).relative_to(volume).as_posix()
    text = sums.read_text()
    sums.write_text("".join(f"{'0' * 64}  {bundle}\n" if bundle in line else line for line in text.splitlines(True)))
    choose(page, volume)
    assert {path for path, (state, _) in rows(page).items() if state == "altered"} == {bundle, "SHA256SUMS"}
    sums.write_text(text)
    (volume / "tagmanifest-sha256.txt").unlink()
    assert "NOT WHOLE: 1 missing" in choose(page, volume)
    for name in ("SHA256SUMS", "manifest-sha256.txt"):
        (volume / name).unlink()
    verdict = choose(page, volume)
    assert "nothing was verified" in verdict
    assert {state for state, _ in rows(page).values()} == {"not verified"}


def test_single_files_are_verified_by_the_list_that_is_chosen_with_them(page: Page, volume: Path) -> None:
    """What was not chosen is never said to be whole, nor missing."""
    bundle = next((volume / "data").rglob("*.bin"))
    lines = len((volume / "SHA256SUMS").read_text().splitlines())
    verdict = choose(page, volume / "SHA256SUMS", bundle)
    assert verdict == f"1 file is whole; {lines - 1} files of the list not chosen, so not verified"
    assert rows(page)[bundle.relative_to(volume).as_posix()][0] == "whole"
    bundle.write_bytes(bundle.read_bytes() + b"\0")
    assert choose(page, volume / "SHA256SUMS", bundle).startswith("NOT WHOLE: 1 altered")
    assert "no list of the volume (SHA256SUMS) was chosen" in choose(page, bundle)
    assert hashlib.sha256(bundle.read_bytes()).hexdigest() in rows(page)[bundle.name][1]


def test_files_of_one_name_are_each_read_and_counted(page: Page, tmp_path: Path) -> None:
    """Two single files called alike hide neither each other nor the other's line in the list."""
    lines = []
    for folder in ("blade", "rack"):
        file = tmp_path / folder / "image.bin"
        file.parent.mkdir()
        file.write_text(folder)
        lines.append(f"{hashlib.sha256(folder.encode()).hexdigest()}  {folder}/image.bin\n")
    sums, first, second = tmp_path / "SHA256SUMS", tmp_path / "blade" / "image.bin", tmp_path / "rack" / "image.bin"
    sums.write_text("".join(lines))
    assert choose(page, sums, first) == "1 file is whole; 1 file of the list not chosen, so not verified"
    assert rows(page)["rack/image.bin"][0] == "not chosen"
    assert choose(page, sums, second, first) == "2 files are whole"
    first.write_text("changed")
    assert choose(page, sums, first, second) == "NOT WHOLE: 1 altered; 1 file is whole"


def test_a_list_of_lists_that_was_cut_is_altered(page: Page, volume: Path) -> None:
    """No list has the digest of tagmanifest-sha256.txt: it has every file of SHA256SUMS outside data/, and that."""
    tags = volume / "tagmanifest-sha256.txt"
    lines = tags.read_text().splitlines(True)
    for kept in ([], lines[:2], [line for line in lines if "SHA256SUMS" not in line]):
        tags.write_text("".join(kept))
        assert "NOT WHOLE: 1 altered" in choose(page, volume)
        assert rows(page)[tags.name][0] == "altered"


def test_several_volumes_and_dropped_folders(page: Page, volume: Path, tmp_path: Path) -> None:
    """Each volume of a folder is judged by its own lists, chosen or dropped."""
    other = Path(shutil.copytree(volume, tmp_path / "copies" / "second"))
    shutil.copytree(volume, tmp_path / "copies" / "first")
    (other / "bagit.txt").unlink()
    first, second = sorted(choose(page, tmp_path / "copies").splitlines())
    assert first.startswith("copies/first: WHOLE")
    assert second.startswith("copies/second: NOT WHOLE: 1 missing")
    devtools = page.context.new_cdp_session(page)
    for event in ("dragEnter", "dragOver", "drop"):
        data = {"items": [], "files": [str(volume)], "dragOperationsMask": 1}
        devtools.send("Input.dispatchDragEvent", {"type": event, "x": 100, "y": 100, "data": data})
    page.locator("#verdict p", has_text=f"{volume.name}: ").wait_for()
    assert page.locator("#verdict p").all_inner_texts()[0].startswith(f"{volume.name}: WHOLE")


def test_a_hostile_name_is_text(page: Page, volume: Path) -> None:
    """Nothing in a name runs, and no character reorders the line."""
    (volume / HOSTILE.replace("/", "")).write_text("x")
    with (volume / "SHA256SUMS").open("a") as sums:
        sums.write(f"{'0' * 64}  <script>ran=1</script>\n<b>no line\n")
    choose(page, volume)
    shown = rows(page)
    assert shown["<img src=x onerror=ran=1>\\u{202e}.bin"][0] == "extra"
    assert shown["<script>ran=1</script>"][0] == "missing"
    assert page.evaluate("typeof ran") == "undefined"
    assert page.locator("#result :is(img, script, b)").count() == 0


def test_sha256_in_the_browser_is_that_of_the_published_vectors(page: Page) -> None:
    """FIPS 180-4 examples (one block, several, a million `a`), NIST CAVP short and long messages, in odd pieces."""
    examples = [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ]
    for name in ("SHA256ShortMsg.rsp", "SHA256LongMsg.rsp"):
        for record in cavp(name):
            examples.append((bytes.fromhex(record["Msg"])[: int(record["Len"]) // 8], record["MD"]))
    assert len(examples) > 100
    found = page.evaluate(
        """async (messages) => {
            const digests = [];
            for (const text of messages) {
              const data = Uint8Array.from(text.match(/../g) ?? [], (two) => parseInt(two, 16));
              const pieces = [];
              for (let at = 0, size = 1; at < data.length; at += size, size = size * 3 % 1021) {
                pieces.push(data.subarray(at, at + size));
              }
              let left = pieces;
              const stream = () => new ReadableStream({
                pull: (to) => { left.length ? to.enqueue(left.shift()) : to.close(); },
              });
              digests.push(await digestOf({ size: data.length, stream }, () => {}));
            }
            return digests;
        }""",
        [message.hex() for message, _ in examples],
    )
    assert found == [digest.lower() for _, digest in examples]


def test_the_page_has_no_way_out(page: Page, written: Path) -> None:
    """One file, static, its script allowed by digest alone; the signed index names it once for all volumes."""
    data = (written / assembling.NAME).read_bytes()
    assert data == assembling.verify_page()
    assert b"default-src 'none'" in data and b"unsafe" not in data
    assert b"The MIT License (MIT)" in data
    policy = page.evaluate("document.querySelector('meta[http-equiv]').content")
    digest = page.evaluate("""crypto.subtle.digest("SHA-256", new TextEncoder().encode(document.scripts[0].text))
        .then((raw) => btoa(String.fromCharCode(...new Uint8Array(raw))))""")
    assert policy.startswith(f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'sha256-")


def test_the_script_is_strictly_typed_and_keeps_the_rules(tmp_path: Path) -> None:
    """Of the library only what the script asks of it is declared."""
    declared = tmp_path / "library.d.ts"
    declared.write_text("declare class _SHA256 { update(data: Uint8Array): this; digest(): Uint8Array }")
    script = Path(assembling.__file__).with_name("script.js")
    assert type_errors(script, declared) == ""
    assert lint_errors(script) == ""


@pytest.mark.parametrize(("width", "scheme"), [*zip(WIDTHS, ("light", "dark", "light"), strict=True)])
def test_everybody_can_use_it(page: Page, volume: Path, width: int, scheme: str) -> None:
    """axe-core finds nothing, nothing sticks out sideways, from a phone to a wall, in light and dark."""
    (volume / ("a-long-name-without-a-blank-" * 8)).write_text("x")
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    page.set_viewport_size({"width": width, "height": 900})
    assert barriers(page) == []
    choose(page, volume)
    rows(page)
    assert barriers(page) == []
    assert not overflows(page)
