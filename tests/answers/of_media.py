"""Questions of media: capacities, packing, what belongs into a set, plans, indexes, notices, receipts, papers, bags."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any
from unittest.mock import patch

from bundlekeeper.errors import InputError
from bundlekeeper.media.packing import pack as packing
from bundlekeeper.media.packing.types import Box, Packed, PackingItem
from bundlekeeper.media.receipt import slip as slips
from bundlekeeper.media.receipt import typed_lines
from bundlekeeper.media.receipt.compose import meant_place
from bundlekeeper.media.receipt.document import (
    NOT_IN_STORE,
    DomainSummary,
    Receipt,
    read_header,
    receipt_of,
    write_header,
)
from bundlekeeper.media.receipt.kept import KeptReceipt, newest_receipts
from bundlekeeper.media.receipt.read import check_date, unless_newer
from bundlekeeper.media.receipt.slip_of import slip_of
from bundlekeeper.media.set.packing import Bunch, Common, PackingOptions, describe, pack_set, read_spare
from bundlekeeper.media.set.records import (
    Arrived,
    ReceivedSet,
    Sent,
    read_received,
    read_sent,
    write_received,
    write_sent,
)
from bundlekeeper.media.set.still_in_force import check_in_force
from bundlekeeper.media.set.what_belongs import contents_of, meant_by
from bundlekeeper.media.set.withdrawal_notice import path_of, read_notice, withdrawn_of, write_notice
from bundlekeeper.media.volume import bag_text, read_me, tag_files
from bundlekeeper.model.media.capacity import DISCS, FILE_SYSTEMS, Supply, parse_supplies
from bundlekeeper.model.media.index import Chain, SetFile, SetIndex, read_index, write_index
from bundlekeeper.model.media.packing import PackedFile, SetPacking, read_packing, write_packing
from bundlekeeper.reports import labels
from tests.answers.plain import told
from tests.answers.registry import question
from tests.answers.worlds import disorder, orderly
from tests.kits.made_packings import made_packing
from tests.kits.media_kit import Bundle, make_set

_MADE = datetime(2026, 8, 20, 8, 0, tzinfo=UTC)


def _supply_text(rnd: Random) -> str:
    size = rnd.choice(
        ["16GB", "2GB", "64MB", "1_000.5GiB", "4TB", "100kB", "1MB", "7B", "33 MB", "0GB", "9EB", "128MiB", "4.7GB"]
    )
    what = rnd.choice([size, size, rnd.choice(list(DISCS)), "bd-99"])
    system = rnd.choice(["", "", *(f":{fs}" for fs in FILE_SYSTEMS), ":fat", ":ntfs", ":"])
    return rnd.choice(["", "", "2x", "0x", "1001x", "10x"]) + what + system


@question("capacities", 150)
def _capacities(rnd: Random) -> Any:
    texts = [_supply_text(rnd) for _ in range(rnd.choice([1, 1, 1, 2]))]
    texts += texts[: rnd.choice([0, 0, 1])]

    def read() -> Any:
        rows = []
        for supply in parse_supplies(texts):
            kind = supply.kind
            sizes = [0, 1, kind.unit, kind.unit + 1, rnd.randrange(10**9), kind.largest_file]
            rows.append(
                [supply, [kind.cost(size) for size in sizes], [kind.fits(room) for room in (*sizes, kind.usable)]]
            )
        return rows

    spare = rnd.choice(["0%", "5%", "12.5%", "7.25%", "90%", "89.99%", "5", "-1%", "1.234%", " 3 %", "٣%"])
    return [texts, told(read), spare, told(lambda: read_spare(spare))]


def _kinds(rnd: Random) -> list[Supply]:
    words = rnd.sample(
        ["64MB:fat32", "40MB", "100MB:exfat", "200MB:ext4", "50MB:folder", "80MB:udf", "70MB", "300MB:fat32"],
        rnd.randint(1, 3),
    )
    texts = [f"{rnd.choice(['', '', '1x', '2x', '3x', '5x'])}{word}" for word in words]
    supplies: list[Supply] = []
    for text in texts:
        supplies += _if_any(text)
    return supplies or list(parse_supplies(["dvd"]))


def _if_any(text: str) -> list[Supply]:
    """The supply; none where it is refused, which another question asks about."""
    try:
        return list(parse_supplies([text]))
    except InputError:
        return []


@question("packings", 160)
def _packings(rnd: Random) -> Any:
    boxes = []
    for supply in _kinds(rnd):
        kind = (
            supply.kind
            if rnd.random() < 0.6
            else replace(supply.kind, largest_file=rnd.choice([9_000_000, 20_000_000]))
        )
        boxes.append(Box(kind, rnd.choice([kind.usable, kind.usable // 3, 30_000_000]), supply.count))
    top = rnd.choice([5_000_000, 30_000_000, 60_000_000])
    items = [
        PackingItem(
            f"i{n}",
            rnd.choice(["blade", "rack", "infrastructure"]),
            rnd.choice([rnd.randint(0, top), top // 2, top]),
            tuple(rnd.choice([(), (), (100,), (100, 4000)])),
        )
        for n in range(rnd.choice([0, 1, 2, 4, 6, 9]))
    ]
    steps, mixtures = rnd.choice([2000, 2000, 50, 5]), rnd.choice([400, 400, 2])

    def packed() -> Any:
        with patch.object(packing, "_MOST_MIXTURES", mixtures):
            found = packing.pack(items, boxes, steps)
        return [found, describe(found) if isinstance(found, Packed) else ""]

    return [
        repr(items),
        repr([(b.kind.label, b.space, b.count) for b in boxes]),
        told(packed),
    ]


@question("contents-of-sets", 40)
def _contents(rnd: Random) -> Any:
    asked = rnd.choice([orderly, orderly, disorder])(rnd)
    name = rnd.choice(
        [
            "holm-a",
            "holm",
            "6.1",
            "domain:holm-a",
            "site:holm",
            "release:6.0",
            "skerry",
            "6.9",
            "site:x",
            "holm-z",
            "x:y",
        ]
    )
    to = rnd.choice(["", "", "6.1", "6.0", "7"])

    def read() -> Any:
        fleet = asked.fleet
        meant = meant_by(fleet, name, to)
        found = contents_of(fleet, meant, asked.holdings, asked.now)
        bundles = [[b.family, b.version, b.file] for b in found.bundles]
        return [meant, bundles, found.missing, sorted(found.left_out)]

    return [name, to, told(read)]


def _bunches(rnd: Random) -> list[Bunch]:
    found = []
    for number in range(rnd.choice([1, 2, 3, 5])):
        family = rnd.choice(["blade", "rack", "infrastructure"])
        name = f"{family}/{number}/marram-{family}-{number}{rnd.choice(['', '', '', '%', ' x', 'é'])}.bin"
        size = rnd.choice([10, 40_000_000, 90_000_000, rnd.randint(1, 60_000_000)])
        bundle = PackedFile(SetFile(name, size, f"{number:064x}", "bundle", family, str(number)), f"store/{name}")
        signature = PackedFile(
            SetFile(f"{name}.sig", 400, f"{number + 90:064x}", "signature", family, str(number)), f"store/{name}.sig"
        )
        found.append(Bunch(bundle, rnd.choice([(), (signature,)])))
    return found


@question("set-plans", 60)
def _plans(rnd: Random) -> Any:
    head = replace(made_packing(), volumes=(), files=())
    commons = [Common("manifests/marram-14.toml", "manifests/marram-14.toml", b"m" * rnd.randint(1, 9000), "manifest")]
    wish = PackingOptions(tuple(_kinds(rnd)), rnd.choice([0, 500, 8000]), rnd.random() < 0.2)

    def read() -> Any:
        plan, reason = pack_set(head, _bunches(rnd), commons, wish)
        if plan is None:
            return reason
        again = read_packing(write_packing(plan), "p.json")
        on_it = [[component.path for _, component in plan.on(v.number)] for v in plan.volumes]
        return [plan, reason, again == plan, on_it]

    return told(read)


def changed(rnd: Random, data: bytes) -> bytes:
    """A JSON document with some values changed."""
    raw = json.loads(data)
    for _ in range(rnd.choice([0, 1, 1, 2])):
        nodes: list[Any] = []
        rows: list[Any] = [raw]
        while rows:
            row = rows.pop()
            if isinstance(row, dict | list) and row:
                nodes.append(row)
                rows += row.values() if isinstance(row, dict) else row
        node = rnd.choice(nodes)
        key: Any = rnd.choice(list(node)) if isinstance(node, dict) else rnd.randrange(len(node))
        value: Any = rnd.choice(
            [None, 0, 1, 2, -1, "", "x", [], {}, True, "../x", "1" * 64, 10**19, "2026-08-14T09:30:00Z"]
        )
        match rnd.randrange(4):
            case 0:
                del node[key]
            case 1 if isinstance(node, list):
                node.append(node[key])
            case 2 if isinstance(node, dict):
                node["zeal"] = value
            case _:
                old = node[key]
                node[key] = old + 1 if isinstance(old, int) and not isinstance(old, bool) else value
    return json.dumps(raw, separators=(",", ":")).encode()


def _set(rnd: Random) -> SetIndex:
    volumes = rnd.choice([1, 2, 3])
    bundles = [
        Bundle(
            family,
            version,
            b"x" * rnd.randint(9, 40),
            tuple(range(1, volumes + 1)) if split and volumes > 1 else (rnd.randint(1, volumes),),
        )
        for family, version, split in (
            ("infrastructure", "6.1.0", False),
            ("blade", "6.1.0", False),
            ("rack", "6.1.0", True),
        )
        if rnd.random() < 0.8
    ]
    made = make_set(bundles, sequence=rnd.randint(1, 300), volumes=volumes).index
    chain = rnd.choice([None, Chain("ab" * 16, rnd.randint(0, 9), "cd" * 32)])
    notes = rnd.choice([(), ("an older one is out",), ("one", "two")])
    meant = rnd.choice(["site skerry to release 6.1", "domain holm-a to release 6.1", "release 6.1", "skerry"])
    return replace(made, chain=chain, notes=notes, meant_for=meant)


@question("set-documents", 120)
def _documents(rnd: Random) -> Any:
    index, plan = _set(rnd), made_packing()
    received = _received(rnd, index)
    sent = Sent(
        index.set_id,
        index.sequence,
        index.issuer,
        "1" * 64,
        "marram",
        index.meant_for,
        index.volumes,
        "2" * 64,
        _MADE,
        {n: _MADE + timedelta(hours=n) for n in range(1, rnd.randint(1, index.volumes + 1))},
    )
    return [
        told(lambda: read_index(changed(rnd, write_index(index)), "set-index.json")),
        told(lambda: read_packing(changed(rnd, write_packing(plan)), "plan.json")),
        told(lambda: read_header(changed(rnd, write_header(_receipt(rnd, index, received))) + b"\n", "receipt")),
        told(lambda: read_sent(write_sent(sent), "sent")),
        told(lambda: read_received(write_received(received), "received")),
        index.name, [index.folder(v) for v in range(1, index.volumes + 1)], index.texts_on(1),
        [[component.path for _, component in index.on(v)] for v in range(1, index.volumes + 1)], plan.sha256,
    ]  # fmt: skip


def _received(rnd: Random, index: SetIndex) -> ReceivedSet:
    arrived = {
        f.path: Arrived(f.path, f.sha256, rnd.choice(["added", "in the store", NOT_IN_STORE]), _MADE)
        for f in index.files
        if rnd.random() < 0.7
    }
    parts = {p.path: _MADE for f in index.files if f.split for p in f.parts if rnd.random() < 0.5}
    came = {v: _MADE + timedelta(days=v) for v in range(1, index.volumes + 1) if rnd.random() < 0.8}
    digest = hashlib.sha256(write_index(index)).hexdigest()
    done = rnd.choice([None, _MADE + timedelta(days=9)])
    return ReceivedSet(
        index.set_id, index.sequence, index.issuer, digest, _MADE, "office", "SHA256:x", came, parts, arrived, done
    )


def _receipt(rnd: Random, index: SetIndex, received: ReceivedSet) -> Receipt:
    state = tuple(
        DomainSummary(site, f"{site}-{n}", rnd.randint(0, 300), rnd.randint(0, 9), rnd.randint(0, 2))
        for site in ("skerry", "holm") for n in range(rnd.randint(0, 3))
    )  # fmt: skip
    manifest = rnd.choice([None, (14, "3" * 64)])
    site = rnd.choice(["skerry", "holm", "weiß" * 12])
    return receipt_of(
        index,
        received,
        made=_MADE + timedelta(days=20, seconds=33),
        site=site,
        reported_by="ada",
        ledger="ef" * 16,
        count=rnd.randint(0, 2000),
        head="0123456789abcdef" * 4,
        after=rnd.choice([0, 5]),
        events=rnd.random() < 0.7,
        manifest=manifest,
        domains=state,
    )


@question("receipts", 90)
def _receipts(rnd: Random) -> Any:
    index = _set(rnd)
    receipt = _receipt(rnd, index, _received(rnd, index))

    def printed() -> Any:
        found = slip_of(receipt, index, (lambda data: hashlib.sha512(data).digest()) if rnd.random() < 0.4 else None)
        lines = slips.lines_of(found)
        typed = list(lines)
        for _ in range(rnd.choice([0, 0, 1, 2])):
            at = rnd.randrange(len(typed))
            line = typed[at]
            place = rnd.randrange(len(line))
            typed[at] = rnd.choice(
                [line[:place] + rnd.choice("Z7Q!") + line[place + 1 :], line.lower(), line[:-1], "", line + "A"]
            )
        if rnd.random() < 0.2:
            look_alike = rnd.choice([("0", "O"), ("1", "I"), ("1", "l"), ("U", "V"), ("8", "B")])
            typed = [line.replace(*look_alike) for line in typed]
        if rnd.random() < 0.15:
            typed = rnd.choice([typed[::-1], typed[:-1], [*typed, typed[0]], [*typed, "Z" * len(lines[0])]])
        text = "\n".join(
            typed_lines.grouped(n, line) if rnd.random() < 0.5 else line for n, line in enumerate(typed, 1)
        )
        return [found, lines, slips.signed_bytes(found).hex(), told(lambda: slips.read(text))]

    return [
        receipt,
        receipt.stored,
        receipt.not_in_store,
        write_header(receipt),
        meant_place(index.meant_for),
        told(printed),
    ]


@question("papers", 80)
def _papers(rnd: Random) -> Any:
    files = rnd.choice([0, 3, 9, 40, 300, 5000])
    missing = rnd.choice([None, tuple(sorted(rnd.sample(range(files), min(files, rnd.choice([0, 1, 2, 7, 40])))))])
    domains = tuple(
        slips.DomainCount(f"skerry-{n}" * rnd.choice([1, 1, 9]), rnd.randint(0, 4000), n, 0)
        for n in range(rnd.choice([0, 1, 3, 20]))
    )
    made = slips.Slip(
        "0123456789abcdef",
        rnd.choice([1, 300, 2**31]),
        "deadbeef",
        _MADE,
        rnd.choice(["skerry", "s" * 70, "ü" * 40]),
        files,
        missing,
        len(missing) if missing is not None else rnd.randint(0, 9),
        rnd.choice([0, 1234, 2**40]),
        "00112233445566ff",
        domains,
        signature=rnd.choice([b"", b"s" * 64]),
    )

    def lines() -> Any:
        rows = slips.lines_of(made)
        return [rows, slips.read("\n".join(rows))]

    data = rnd.randbytes(rnd.choice([0, 1, 5, 40, 200]))
    return [told(lines), slips.cut(made.site), told(lambda: typed_lines.to_lines(data))]


@question("kept-receipts", 60)
def _kept(rnd: Random) -> Any:
    rows = [
        KeptReceipt(
            f"r{n}",
            "0" * 16,
            printed,
            not printed or rnd.random() < 0.5,
            _MADE + timedelta(minutes=rnd.choice([0, 1, 60, 9000, 90000])),
            rnd.choice(["skerry", "holm"]),
            "" if printed else rnd.choice(["aa", "bb"]),
            "deadbeef" if printed else rnd.choice(["deadbeef" * 8, "0" * 64]),
            9,
            rnd.randint(0, 2),
            0 if printed else rnd.randint(0, 3),
        )
        for n in range(rnd.randint(0, 7))
        for printed in [rnd.random() < 0.5]
    ]
    now = _MADE + timedelta(days=rnd.choice([0, 1, 7, 90]))
    found = newest_receipts(rows, "deadbeef" * 8, now)
    after = [[a.after(b) for b in rows] for a in rows]
    away = [f for row in rows for f in check_date(row, now)]
    return [found, after, away, list(unless_newer("skerry", rnd.choice([None, now]), away))]


@question("withdrawals", 40)
def _withdrawals(rnd: Random) -> Any:
    asked = disorder(rnd)
    manifest = asked.manifest
    index = rnd.sample(manifest.bundle, min(4, len(manifest.bundle)))
    files = tuple(
        PackedFile(
            SetFile(
                f"{b.family}/{b.version}/{b.file}",
                b.size,
                b.sha256,
                rnd.choice(["bundle", "bundle", "signature"]),
                b.family,
                b.version,
            ),
            b.file,
        )
        for b in index
    )
    plan = SetPacking(rnd.choice(["marram", "marram", "dune"]), "holm", "3" * 64, rnd.choice([0, 1, 2]), (), files)

    def notice() -> Any:
        data = write_notice(manifest)
        return [
            data,
            read_notice(data if rnd.random() < 0.7 else data.replace(b"notice", b"motive"), manifest, "n.json"),
        ]

    signed = rnd.random() < 0.5
    return [
        told(lambda: check_in_force(plan, manifest, signed=signed)),
        told(lambda: withdrawn_of(manifest)),
        path_of(manifest),
        told(notice),
    ]


def _bag_lines(rnd: Random) -> str:
    paths = rnd.sample(
        [
            "data/a",
            "data/B",
            "data/b",
            "data/é",
            "data/../x",
            "bagit.txt",
            "data/a%0Ab",
            "data/CON",
            "x",
            "",
            "data/a b",
        ],
        5,
    )
    rows = [
        f"{rnd.choice(['a' * 64, 'B' * 64, 'z' * 64, 'a' * 40])}{rnd.choice(['  ', ' ', ' *', '	', ''])}{path}"
        for path in paths
    ]
    return rnd.choice(["\n", "\r\n", "\r"]).join(rows) + rnd.choice(["", "\n"])


@question("texts-of-volumes", 80)
def _texts(rnd: Random) -> Any:
    index = _set(rnd)
    volume = rnd.randint(1, index.volumes)
    text = _bag_lines(rnd)
    version = rnd.choice(["1.0", "0.97", "1.0"])
    info = "\n".join(
        rnd.sample(["Bag-Count: 1 of 2", "Payload-Oxum: 7.2", " more", "junk", "", "A:", ": b", "Bag-Count: 9"], 5)
    )
    start = rnd.choice(
        [
            bag_text.declaration(),
            "BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n",
            "x\n",
            "BagIt-Version: 1.0\n",
        ]
    )
    sums = {
        path: f"{n:064x}"
        for n, path in enumerate(rnd.sample(["data/a", "data/b", "bagit.txt", "data/A", "data/c%", "SHA256SUMS"], 3))
    }
    return [
        read_me.text(index, volume, list(index.on(volume)), with_tool=rnd.random() < 0.5),
        told(
            lambda: bag_text.read_manifest(
                text, rnd.choice(["sha256", "sha512"]), version, most=rnd.choice([None, 4, 5])
            )
        ),
        told(lambda: bag_text.read_info(info)),
        told(lambda: bag_text.read_declaration(start)),
        [bag_text.read_oxum(value) for value in ("7.2", "7", "07.2", "-1.2", "7.2 ")],
        told(lambda: bag_text.manifest_text(sums)),
        told(lambda: bag_text.refused(sums)),
        told(lambda: tag_files.sums_text(sums, {"data/z": "e" * 64})),
        tag_files.optional(sha512=rnd.random() < 0.5, tool=rnd.random() < 0.5),
        [tag_files.hint_to_have(index, name, "so") for name in ("a", f"{tag_files.TOOL}/")],
        labels.shortened("0123456789abcdef" * 4),
    ]


@question("labels", 3)
def _labels(rnd: Random) -> Any:
    return labels.page(_set(rnd), "ab" * 32)
