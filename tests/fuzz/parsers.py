"""The parsers of the package, one `add` each.

A new one: `add("receipt", read_receipt, lambda: [made_receipt()], covers=("media.receipt.document.read_receipt",))`.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from functools import cache, partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from bundlekeeper.errors import KeeperError, VersionError
from bundlekeeper.formats import durations, json_read, moments, toml_read
from bundlekeeper.formats.safe_names import problems_of_name
from bundlekeeper.jobs.recording.selection import Places
from bundlekeeper.jobs.recording.statements import Asked, RecordDetails, RecordStatement, statements
from bundlekeeper.ledger.event import events
from bundlekeeper.ledger.exchange import merge as exchange
from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.links.http import client as http
from bundlekeeper.links.http import verdict
from bundlekeeper.links.http.part_file import Resume
from bundlekeeper.links.redfish.user_map import read_map
from bundlekeeper.model import config, versions
from bundlekeeper.model import store_settings as settings
from bundlekeeper.model.inventory import column_map as columns
from bundlekeeper.model.inventory.read import InventorySource, read_inventory
from bundlekeeper.model.inventory.types import COMPONENT_KEYS
from bundlekeeper.model.lint import read_manifest
from bundlekeeper.model.manifest import checksum_list
from bundlekeeper.model.media import capacity, packing
from bundlekeeper.model.media import index as media
from tests.fuzz.running import Parser
from tests.kits.checksum_lines import format_line

ROOT = Path(__file__).parents[2]
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # many small ledgers, and none needs to last
TODAY = date(2026, 11, 25)
PARSERS: dict[str, Parser] = {}


def add(
    name: str,
    read: Callable[[bytes], object],
    seeds: Callable[[], Sequence[bytes]],
    *,
    words: str = "",
    covers: tuple[str, ...] = (),
    **bounds: Any,
) -> None:
    """Declare a parser; `words` are words of its format, separated by blanks."""
    if name in PARSERS:
        raise ValueError(f"{name} is there already")
    PARSERS[name] = Parser(name, read, cache(seeds), tuple(w.encode() for w in words.split()), covers, **bounds)


def text(read: Callable[[str], object]) -> Callable[[bytes], object]:
    """A reader of text as a reader of bytes, as a command line or a file name gives them (PEP 383)."""
    return lambda data: read(data.decode("utf-8", "surrogateescape"))


# Manifests and what else people write


_SMALL = b"""
manifest = 1
platform = "marram"
sequence = 14
issued = 2026-08-14
families = ["blade"]

[[bundle]]
family = "blade"
version = "6.1.0"
file = "marram-blade-6.1.0.bin"
size = 1_250_000
sha256 = "%s"
digest_from = "publisher: download page, 2026-08-02"
released = 2026-08-01
images = [{ kind = "bios", models = ["Tern-2"], version = "6.1.0", size = 61_000_000, minutes = 12 }]

[[release]]
name = "6.1"
blade = ["6.1.0"]

[[jump]]
what = { family = "blade" }
to = ">=6.0"
from = "<=6.1"
source = "release notes 6.0, table 2"
""" % (b"9a" * 32)


def _manifest() -> list[bytes]:
    return [_SMALL, (ROOT / "manifests/marram-14.toml").read_bytes()]


add(
    "manifest",
    lambda data: (read_manifest.lint(data, name="m", today=TODAY), read_manifest.read(data, name="m", today=TODAY)),
    _manifest, covers=("model.lint.read_manifest.read", "model.lint.read_manifest.lint"),
    examples=60, calls=40_000, calls_a_byte=300,
    words="[[bundle]] [kind.bios] [versions] order natural semver debian listed list onto standing withdrawn size "
    "sha256 [[jump]] [[compatible]] need when from to >=6.0,<6.2 images { } [ ] = family variant variants only pair",
)  # fmt: skip
add(
    "toml",
    partial(toml_read.load, name="t", max_bytes=1 << 20),
    _manifest,
    covers=("formats.toml_read.load", "formats.toml_read.guard"),
    words="[a.b] [[a]] a.b= \"\"\" ''' { } # inf 0x 1e9",
)
add(
    "checksum-list", partial(checksum_list.parse, name="SHA256SUMS"),
    lambda: [
        b"".join(format_line(f"marram-{n}.bin", f"{n:064x}", tagged=bool(n % 2)) for n in range(6)),
        b"-----BEGIN PGP SIGNED MESSAGE-----\nHash: SHA256\n\n" + b"a" * 64 + b"  a.bin\n"
        b"-----BEGIN PGP SIGNATURE-----\n\niQ==\n-----END PGP SIGNATURE-----\n",
    ],
    covers=("model.manifest.checksum_list.parse",), words="SHA256 (a.bin) = SHA512 MD5 \\ * -----BEGIN -----END - ",
)  # fmt: skip
add(
    "store", settings.read_settings,
    lambda: [
        b'store = 1\nsigned_families = ["infrastructure"]\nforms = ["sshsig", "rsa-pss-sha256"]\n'
        b'signed_manifests = true\nmax_verification_age = "90d"\nmax_whole_bytes = 1_073_741_824\n',
        b'store = 1\n[[accepted]]\ncode = "no-way-back"\nsubject = "holm-a/*"\nreason = "agreed"\n'
        b'reported_by = "kim"\non = 2026-11-30\nuntil = 2027-05-31\n',
    ],
    covers=("model.store_settings.read_settings",), words="true false [ ] { } = 90d 36h 1e9 cms minisign blade",
)  # fmt: skip
add(
    "config", partial(config.read_config, where="config.toml"),
    lambda: [
        b'store = "/srv/firmware"\nreported_by = "kim"\nzone = "Etc/GMT-1"\nmax_verification_age = "30d"\n',
        b'store = "~/firmware"\nzone = "+02:00"\n',
    ],
    covers=("model.config.read_config",), words="~/ / [ ] { } = 90d 36h 1e9 UTC +99:99 Etc/.. store zone",
)  # fmt: skip


# Inventories


def _inventory() -> list[bytes]:
    return [(ROOT / "manifests/marram-2026-11.toml").read_bytes()[:6000].rpartition(b"\n[[")[0] + b"\n"]


def _as_json() -> list[bytes]:
    raw = toml_read.load(_inventory()[0], name="i", max_bytes=1 << 20)[1]
    return [json.dumps(raw, default=str).encode()]


_CSV = (
    b"# inventory = 1\n# read_at = 2026-11-20\n# zone = UTC\nsite,domain,chassis,slot,kind,model,serial,active,pending,"
    b"spare,healthy\nholm,holm-a,1,3,bios,Tern-4,B7,6.0.1,,-,yes\nholm,holm-a,1,4,bios,Tern-4,B8,6.0.1,6.1.0,,no\n"
)
_KEYS = " ".join(COMPONENT_KEYS)


def _inventory_of(form: str) -> Callable[[bytes], object]:
    return lambda data: read_inventory([InventorySource(f"i.{form}", data, form)])


for _form, _seeds in (("toml", _inventory), ("json", _as_json), ("csv", lambda: [_CSV, _CSV.replace(b",", b";")])):
    add(
        f"inventory-{_form}", _inventory_of(_form), _seeds, covers=("model.inventory.read.read_inventory",),
        words=f"{_KEYS} [[component]] [[partition]] [[policy]] [[separate_windows]] size_bytes free_bytes - ? yes",
        examples=80,
    )  # fmt: skip


_MAP = (
    b'columns = 1\nignored = ["Owner"]\n[keys]\n"Location" = "site"\n"Serial" = "serial"\n[versions]\n"BIOS" = "bios"\n'
    b'"NIC 2" = "network-adapter/2.pending"\n[values]\ndomain = "holm-a"\n'
)
_SERVERS = b"Location,Owner,Serial,BIOS,NIC 2\nholm,kim,S1,6.0.1,-\nholm,,S2,6.1.0,1.0\n"


def _by_map(data: bytes) -> object:
    column_map = columns.read_map(data, name="map.toml")
    return read_inventory([InventorySource("i.csv", _SERVERS, "csv")], column_map=column_map, read_at=TODAY, zone="UTC")


add(
    "column-map", _by_map, lambda: [_MAP], covers=("model.inventory.column_map.read_map",),
    words="columns ignored [keys] [versions] [values] REVIEW staged . / = bios site serial tags note", examples=80,
)  # fmt: skip


def _workbook() -> bytes:
    from tests.kits.workbooks import ABOUT, HEAD, ROW, workbook

    return workbook({"inventory": ABOUT, "Racks": [HEAD, ROW, [*ROW[:4], "B8", *ROW[5:]]]})


def _read_workbook(data: bytes) -> object:
    from bundlekeeper.links.spreadsheet.read import documents

    return read_inventory(documents("racks.xlsx", data)[0])


def _sheets() -> list[bytes]:
    with zipfile.ZipFile(io.BytesIO(_workbook())) as package:
        return [package.read(name) for name in package.namelist() if "sheet2" in name]


def _read_sheet(sheet: bytes) -> object:
    """A sound package around a changed sheet: a packed file that was changed hardly ever unpacks."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_workbook())) as good, zipfile.ZipFile(out, "w") as package:
        for name in good.namelist():
            package.writestr(name, sheet if "sheet2" in name else good.read(name))
    return _read_workbook(out.getvalue())


add("workbook", _read_workbook, lambda: [_workbook()], covers=("links.spreadsheet.read.documents",), examples=20)
add(
    "workbook-sheet", _read_sheet, _sheets, examples=40, calls=1_000_000,
    words='r="XFD1048576" t="s" t="d" t="b" t="e" <v>-1</v> <row> </row> <c/> s="1" <f>1/0</f> &#0; &x; <![CDATA[',
)  # fmt: skip


def _rows(data: bytes) -> None:
    with TemporaryDirectory() as folder:
        Path(folder, "rows.csv").write_bytes(data)
        options = RecordStatement(Asked("observe"), Places(), RecordDetails())
        statements(str(Path(folder, "rows.csv")), options)


add(
    "recorder-rows", _rows, lambda: [b"name,active,at,reported_by\nB7,6.1.0,2026-11-20,ada\nB8,-,,bo\n"],
    words="name bundle at before after key=value;x= , ,, \" approved-by",
)  # fmt: skip


# Small words


def _orders(version: str) -> None:
    done = 0
    for name in ("natural", "semver", "debian"):
        order = versions.order(name)
        for read in (order.key, lambda text, order=order: versions.Range.parse(text, order).is_empty()):
            try:
                read(version)
                done += 1
            except VersionError:
                pass
    if not done:
        raise VersionError("no order takes it")


add(
    "versions", text(_orders),
    lambda: [b"6.1.0-p2", b"5.4.10a", b"1:2.0~rc1-3", b"1.0.0-alpha.1+build.5", b">=5.4,<6.2", b"!=6.0,==6.1"],
    words=">= < != , . - ~ + rc alpha dev 0 :", examples=400,
)  # fmt: skip
add(
    "moments", text(lambda moment: moments.moment(moments.parse(moment), "Europe/Berlin")),
    lambda: [b"2026-03-01", b"2026-03-01T14:05+01:00", b"2026-03-29T02:30:00", b"2026-10-25 02:30:00.000001Z"],
    words="+23:59 -00:00 Z T W 24:00", examples=400, covers=("formats.moments.parse",),
)  # fmt: skip
add(
    "zones",
    text(moments.zone_of),
    lambda: [b"UTC", b"Europe/Berlin", b"America/St_Johns"],
    words="/ .. ~ posix right",
    examples=200,
)
add("durations", text(durations.seconds), lambda: [b"30d", b"36h", b"90m", b"2w"], words="s min h d w", examples=200)
add("names", text(problems_of_name), lambda: [b"marram-rack-6.1.0.bin"], words="CON . .. / \\ C: ~ -", examples=300)


# JSON, the ledger, records of our own

_DOCUMENT = json.dumps({"a": [1, 2.5, None, True, "x", {"b": {"c": "\u00e9\ud83d\ude00"}}], "d": "e"}).encode()
add(
    "strict-json",
    json_read.loads,
    lambda: [_DOCUMENT],
    words='{ } [ ] NaN null "a": 1e999 \\ud800',
    covers=("formats.json_read.loads",),
)


def _event() -> events.Event:
    at = moments.end_of(TODAY, "UTC")
    return events.Event(
        what=events.EventKind.OBSERVED, at=at, reported_by="ada", component="B7", kind="bios",
        seen=events.Seen("6.0", "", "5.4", ("6.0",)), before=(("paths", "4"),), note="by night",
    )  # fmt: skip


@cache
def _exchange() -> list[bytes]:
    with TemporaryDirectory() as folder, Ledger.open(Path(folder, "one"), write=True) as ledger:
        staged = events.Event(
            what=events.EventKind.STAGED,
            at=_event().at,
            reported_by="ada",
            component="B7",
            version="6.1",
            bank="pending",
        )
        ledger.record([_event(), staged], datetime(2026, 11, 25, tzinfo=UTC))
        return [b"".join(exchange.export(ledger))]


def _merge(data: bytes) -> None:
    with TemporaryDirectory(dir=MEMORY) as folder, Ledger.open(Path(folder, "two"), write=True) as ledger:
        before = ledger.head()
        try:
            exchange.merge(ledger, data.splitlines(keepends=True), datetime(2026, 11, 25, tzinfo=UTC))
        except KeeperError:
            assert ledger.head() == before, "a refused file left something behind"
            raise


add(
    "exchange",
    _merge,
    _exchange,
    words='"observed" "staged" null true {"event": {"head": document after',
    covers=("ledger.exchange.merge.merge",),
    examples=60,
)
add(
    "event", lambda data: events.check(events.from_content(json_read.loads(data))),
    lambda: [events.canonical(_event()).encode()], words='"what" "at" "zone" null [] {} "seen_active" "undoes"',
    covers=("ledger.event.events.from_content",), examples=200,
)  # fmt: skip
add(
    "resume-record", Resume.from_bytes, lambda: [Resume("https://a.example/b", '"x"', 1000, 10).as_bytes()],
    covers=("links.http.part_file.from_bytes",),
)  # fmt: skip


# From the network


def _headers(data: bytes) -> None:
    lines = data.decode("latin-1").split("\n")
    headers = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in lines[1:])}
    status = int(lines[0]) if re.fullmatch(r"[0-9]{3}", lines[0], re.A) else 206
    verdict.strong_validator(headers)
    verdict.retry_after_s(headers)
    for start in (0, 100):
        for validator in ('"one"', "Mon, 03 Aug 2026 10:00:00 GMT"):
            verdict.judge(status, headers, start=start, validator=validator, expected=1000, place="mirror")


add(
    "http-headers", _headers,
    lambda: [
        b'206\ncontent-range: bytes 100-999/1000\netag: "one"\ncontent-length: 900',
        b"200\nlast-modified: Mon, 03 Aug 2026 10:00:00 GMT\ndate: Mon, 03 Aug 2026 11:00:00 GMT",
        b'200\ncontent-length: 1000\netag: W/"one"\ntransfer-encoding: chunked\ncontent-encoding: identity',
        b"503\nretry-after: Wed, 21 Oct 2015 07:28:00 GMT", b"429\nretry-after: 120", b"302\nlocation: ../x",
    ],
    words="bytes */1000 gzip chunked 301 416 -1 GMT Retry-After content-range:", examples=400,
)  # fmt: skip
add(
    "urls",
    text(http.parse_url),
    lambda: [b"https://mirror.holm.example:8443/a/b?c=d", b"http://[::1]/", b"http://127.0.0.1/x"],
    words="@ : [ ] # ? // \\ xn-- %",
    examples=300,
)
add(
    "origins",
    text(http.parse_origin),
    lambda: [b"https://mirror.holm.example:8443"],
    words="@ : [ ] # ? // :0 :99999",
    examples=200,
)
add(
    "redfish-map", partial(read_map, name="map"),
    lambda: [
        b'redfish = 1\n\n[[map]]\nservice = "https://bmc-3.holm.example"\nname = "Board logic*"\nkind = "board-logic"\n'
        b'slot = "3/1"\nbank = "pending"\n\n[[map]]\nname = "Driver*"\nskip = "no firmware"\n'
    ],
    words="[[map]] software_id model domain chassis slot skip kind * ?", covers=("links.redfish.user_map.read_map",),
)  # fmt: skip


def _bodies() -> list[bytes]:
    return [(ROOT / f"fixtures/redfish/{name}.json").read_bytes() for name in ("rack", "chassis", "odd")]


def _redfish(data: bytes) -> None:
    from tests.kits.firmware_trees import placed

    made = json_read.loads(data)
    if isinstance(made, dict):
        resources = made.get("resources", made)
        if isinstance(resources, dict):
            placed({path: body for path, body in resources.items() if isinstance(body, dict)})


add(
    "redfish",
    _redfish,
    _bodies,
    words='"@odata.id" "Members" "Location" "PartLocation" null [] {} "State" "Version"',
    examples=60,
    calls=400_000,
    calls_a_byte=600,
)


# What is carried


def _plan() -> list[bytes]:
    from bundlekeeper.model.media.packing import write_packing
    from tests.kits.made_packings import made_packing

    return [write_packing(made_packing())]


def _index() -> list[bytes]:
    from bundlekeeper.model.media.index import write_index
    from tests.kits.set_indexes import _index as made

    return [write_index(made())]


add(
    "packing", packing.read_packing, _plan,
    words='"parts" "volume" "sha256" "common" true 99 "source" "largest_file" [] {} null',
    covers=("model.media.packing.read_packing",),
)  # fmt: skip
add(
    "set-index", media.read_index, _index,
    words='"parts" "volume" "sha256" "common" true 99 "made" "ledger" [] {} null',
    covers=("model.media.index.read_index",),
)  # fmt: skip
add(
    "volume",
    text(capacity.parse_supply),
    lambda: [b"2x16GB:fat32", b"bd-25:udf", b"1_000.5GiB"],
    words="x : . _ , k i",
    examples=200,
)
