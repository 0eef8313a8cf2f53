"""Questions of manifests: lint, reading, drafts and amendments, lists, versions, acceptance, what may be recorded."""

from __future__ import annotations

import re
from copy import deepcopy
from datetime import UTC, date, datetime
from random import Random
from typing import Any

from bundlekeeper.formats import toml_read
from bundlekeeper.model.lint import read_manifest
from bundlekeeper.model.lint.check_all import check
from bundlekeeper.model.lint.common.codes import but_of_bundles, in_use
from bundlekeeper.model.manifest import amend, checksum_list, draft, draft_rows, looks_like_list, merge_lists
from bundlekeeper.model.manifest.draft_rows import DraftRow
from bundlekeeper.model.manifest.name_guesses import guess_family, guess_version
from tests.answers.plain import told
from tests.answers.registry import question
from tests.fuzz.mutating import ODD, example
from tests.kits import lint_words
from tests.kits.checksum_lines import format_line
from tests.kits.planning_kit import ROOT, TODAY

_QUOTED = re.compile(r'"[^"\n]*"')
_WORDS = (
    "", "blade", "rack", "infrastructure", "bios", "io-module", "tide-gauge", "Tern-2", "Tern-4", "tern-2",
    "6.1.0", "5.4.2", "6.1", ">=6.0", "<5", ">=6,<5", "up", "down", "both", "domain", "server", "withdrawn", "current",
    "managed-servers",
    "own copy", "a" * 64, "A" * 64, "0" * 64, "blade-6.bin", "../x", "CON", "natural", "listed", "semver", "x y",
    "6.1.0-p2", "golden", "INFRA-5.bin", "publisher",
)  # fmt: skip
_TODAYS = (TODAY, TODAY, date(2026, 8, 1), date(2028, 1, 1))


def _manifests() -> list[str]:
    example_ = (ROOT / "manifests/marram-14.toml").read_text("utf-8")
    return [lint_words.BASE, lint_words.BASE, example_]


def _with_rules(rnd: Random, text: str) -> str:
    whats = (
        'family = "infrastructure"',
        'family = "blade"',
        'kind = "bios"',
        'kind = "io-module", models = ["Rush-4"]',
    )
    spans = (">=6", "<6", ">=5.4,<6.1", "==6.1.0", "!=6.1.0", ">9", "<=5.4.2", "x", ">=6,<5")
    for _ in range(rnd.randint(0, 4)):
        one, other = rnd.choice(whats), rnd.choice(whats)
        if rnd.random() < 0.5:
            way = rnd.choice(["up", "down", "both"])
            text += lint_words.jump(one, rnd.choice(spans), f'"{rnd.choice(spans)}"', way)
        else:
            need = f'{{ {other}, version = "{rnd.choice(spans)}" }}'
            text += lint_words.compatible(
                f'{one}, version = "{rnd.choice(spans)}"', need, rnd.choice(["domain", "server"])
            )
    return text


def reworded(rnd: Random, text: str, times: int) -> str:
    """Some quoted words become other words, some lines go or come twice."""
    for _ in range(times):
        found = list(_QUOTED.finditer(text))
        place = rnd.choice(found)
        other = rnd.choice([rnd.choice(found)[0], f'"{rnd.choice(_WORDS)}"'])
        text = text[: place.start()] + other + text[place.end() :]
        if rnd.random() < 0.3:
            lines = text.splitlines(keepends=True)
            line = lines.pop(rnd.randrange(len(lines)))
            if rnd.random() < 0.5:
                at = rnd.randrange(len(lines))
                lines[at:at] = [line] * 2
            text = "".join(lines)
    return text


def _lint(data: bytes, today: date) -> Any:
    def read() -> Any:
        loaded = read_manifest.read(data, name="m.toml", today=today)
        return [loaded.manifest, loaded.problems, in_use(loaded.problems), but_of_bundles(loaded.problems)]

    return [
        told(lambda: read_manifest.lint(data, name="m.toml", today=today)),
        told(read),
    ]


@question("manifests", 60)
def _lintreworded(rnd: Random) -> Any:
    text = _with_rules(rnd, rnd.choice(_manifests()[: rnd.choice([2, 2, 2, 3])]))
    return _lint(reworded(rnd, text, rnd.choice([0, 1, 2, 4, 8])).encode(), rnd.choice(_TODAYS))


@question("damaged-manifests", 40)
def _lint_damaged(rnd: Random) -> Any:
    data = example(rnd, [lint_words.BASE.encode()], [word.encode() for word in _WORDS])
    return _lint(data, TODAY)


_VALUES: tuple[Any, ...] = (
    None, True, 0, 1, 1.5, 2**63, [], {}, "", [1], [{}], {"kind": "bios"}, date(2030, 1, 1), "x" * 5000,
    datetime(2026, 1, 1, tzinfo=UTC), "2026-08-14",
)  # fmt: skip
_EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
#: Values that a key may well have, right and wrong ones.
_BY_KEY: dict[str, tuple[Any, ...]] = {
    "version": ("6.1.0", "6.1", "5.4.10", "golden", "6.1.0-p2", "v" * 130, "6.1.0 ", ">=6"),
    "family": ("blade", "rack", "infrastructure", "blades", "Rack"),
    "sha256": (
        _EMPTY,
        "a" * 64,
        "A" * 64,
        "0" * 64,
        "a" * 40,
        "a" * 63,
        "sha256:" + "a" * 64,
        "SHA-512: abc",
        "ao" * 32,
        "YWJj" * 11,
        "b" * 65,
        "12" * 64,
        "SHA256:" + "b" * 63,
    ),
    "digest_from": ("own copy", " Own Copy", "  ", "", "publisher: list, 2026-08-02"),
    "size": (0, 1, 10, -1),
    "file": (
        "infra-5.bin",
        "INFRA-5.bin",
        "a/b.bin",
        "CON.bin",
        "x.",
        ".keeper",
        "é.bin",
        "e\u0301.bin",
        "a" * 300,
        "x\ny",
        "-x",
        "~x",
    ),
    "variant": ("managed-servers", "single-servers", "manged-servers"),
    "lifecycle": ("withdrawn", "current", "superseded", "gone"),
    "reason": ("notice 3", " ", ""),
    "base": ("6.1.0", "5.4.10", "5.4.2", "6.1", "9.9"),
    "only": (["bios"], ["io-module"], ["bios", "bios"], [], ["model-list"], ["tide-gauge"]),
    "kind": ("bios", "io-module", "model-list", "tide-gauge", "Bios", "bio"),
    "models": (["Tern-2"], ["Rush-4"], ["Tern-9"], ["Tern-2", "Tern-2"], ["tern-2"], []),
    "images": ([], [{"kind": "bios", "models": ["Tern-2"], "version": "6.1.0"}] * 2),
    "issued": (
        date(2026, 8, 14),
        date(2026, 12, 24),
        date(2025, 1, 1),
        "2026-08-14",
        datetime(2026, 8, 14, tzinfo=UTC),
    ),
    "expires": (date(2026, 8, 14), date(2026, 8, 1), date(2026, 11, 24), date(2040, 1, 1)),
    "released": (date(2026, 8, 15), date(2027, 1, 1), date(2026, 8, 14), date(1990, 1, 1)),
    "order": ("natural", "semver", "debian", "listed", "alphabetic"),
    "list": (["5.4.2", "5.4.10", "6.1.0"], [], ["6.1.0", "6.1.0"], ["6.1.0", "5.4.10"]),
    "known": (["5.4.2", "5.4.2"], ["6.1.0"], ["6.1"], ["golden"], []),
    "name": ("6.1", "", "6.0"),
    "blade": ("6.1.0", ["6.1.0", "6.1.0"], "6.1", "9.9", [], [">=6"], 7, [["6.1.0"]], ["6.1.0", 7]),
    "rack": ("6.1.0", ["6.1.0", "5.4.10"], "6.1", ["9"]),
    "to": (
        ">=6.0",
        "<5",
        ">=6,<5",
        "",
        "x",
        ">=5.4.10",
        "=~6",
        ">=golden",
        ">=6,",
        "<=6.1.0,>=6.1.0,!=6.1.0",
        ">=" + "6" * 130,
    ),
    "from": (">=6.0", "<5", ">=6.1.0", "<=5.4.10", "^6"),
    "direction": ("up", "down", "both", "sideways"),
    "source": ("notes", " ", "", "release notes 6.1, table 2"),
    "scope": ("domain", "server", "pair", "chassis", "rack"),
    "need": (
        [{"family": "blade", "version": ">=7"}],
        [{"family": "rack"}],
        [{"kind": "bios", "version": ">=6"}] * 2,
        [{}],
        [],
        [{"family": "blade", "version": "<6"}],
        [{"kind": "model-list", "version": ">=t2"}],
    ),
    "when": (
        {"family": "infrastructure"},
        {"family": "infrastructure", "version": ">=9"},
        {},
        {"kind": "io-module", "version": ">=6"},
    ),
    "what": (
        {"family": "blade"},
        {"kind": "bios"},
        {"kind": "bios", "models": ["Tern-9"]},
        {},
        {"family": "infrastructure", "kind": "bios"},
    ),
    "families": (["infrastructure", "blade"], ["blade", "blade"], ["rack", "barge"], []),
    "platform": ("marram-2", "Marram", "a--b", "x" * 65),
    "manifest": (1, 2, "1", 1.0, True),
    "sequence": (1, 0, -1, 2**63, "3"),
    "method": ("two-bank", "boot-file", "overwrite", "dual"),
    "applied_by": ("operator", "policy", "nobody"),
    "back": ("switch", "pointer", "none", "undo"),
    "signature": (
        {"file": "infra-5.bin.sig", "form": "sshsig", "key": "k"},
        {"file": "infra-6.bin", "form": "pgp", "key": ""},
        {"file": "x/y"},
    ),
    "bundles": ([],),
    "minutes": (5, -1, 100_001),
}
_KINDS: tuple[dict[str, Any], ...] = (
    {"bios": {"method": "boot-file", "order": "semver"}},
    {"Bios": {}, "tide-gauge": {"applied_by": "operator"}},
    {"tide-gauge": {}},
    {"bios": {"list": ["6.1.0"]}},
    {"bios": {"order": "listed"}},
    {"bioss": {"minutes": 5}},
    {"tide-gauge": {"method": "two-bank", "applied_by": "operator", "back": "none", "order": "natural"}},
    {"bios": {"models": {"Tern-2": {"minutes": 3}, "MB-99": {"models": {}}}}},
    {"model-list": {"order": "listed", "list": ["t1", "t2"]}},
    {"disk": {"minutes": 5, "list": []}},
    {"io-module": {"order": "listed", "list": ["6.1.0", "5.4.10"]}},
)


def _nodes(value: Any, found: list[Any]) -> list[Any]:
    if isinstance(value, dict | list):
        if value:
            found.append(value)
        for row in value.values() if isinstance(value, dict) else value:
            _nodes(row, found)
    return found


def _misshapen(rnd: Random, raw: dict[str, Any]) -> None:
    """One change of a document's structure, in place."""
    node, other = rnd.choice(_nodes(raw, [])), rnd.choice(_nodes(raw, []))
    if isinstance(node, list):
        at = rnd.randrange(len(node))
        match rnd.randrange(4):
            case 0:
                node.append(deepcopy(node[at]))
            case 1:
                node.pop(at)
            case 2:
                node.reverse()
            case _:
                node[at] = deepcopy(rnd.choice(_VALUES))
        return
    key = rnd.choice(list(node))
    match rnd.randrange(5):
        case 0:
            del node[key]
        case 1:
            node[key] = deepcopy(rnd.choice([*_VALUES, *(other.values() if isinstance(other, dict) else other)]))
        case 2:
            name = rnd.choice(list(_BY_KEY))
            node[name] = deepcopy(rnd.choice(_BY_KEY[name]))
        case 3:
            raw["kind"] = deepcopy(rnd.choice(_KINDS))
        case _:
            node[key] = deepcopy(rnd.choice(_BY_KEY.get(key, _VALUES) if node is not raw or key != "kind" else _KINDS))


_KEYS_OF: dict[str, tuple[str, ...]] = {
    "bundle": (
        "version",
        "sha256",
        "digest_from",
        "size",
        "file",
        "variant",
        "lifecycle",
        "reason",
        "base",
        "only",
        "images",
        "released",
        "signature",
        "family",
    ),
    "release": ("name", "blade", "rack"),
    "jump": ("what", "to", "from", "direction", "source"),
    "compatible": ("scope", "when", "need", "source"),
    "": ("issued", "expires", "families", "platform", "sequence", "manifest"),
}
_ALL_TABLES = (
    lint_words.BASE
    + lint_words.jump('kind = "bios"')
    + lint_words.compatible(lint_words.INFRA, '{ kind = "bios" }', "pair")
)


def _remade(rnd: Random, raw: dict[str, Any]) -> None:
    """Right words in right places, mostly: an optional key more, another value of the kind that a key takes."""
    table = rnd.choice(["bundle", "bundle", "bundle", "release", "jump", "compatible", ""])
    rows = raw.get(table) if table else [raw]
    if not isinstance(rows, list) or not rows:
        return
    row = rnd.choice(rows)
    name = rnd.choice(_KEYS_OF[table])
    if not isinstance(row, dict):
        return
    row[name] = deepcopy(rnd.choice(_BY_KEY[name]))
    if name == "lifecycle" and rnd.random() < 0.7:
        row["reason"] = rnd.choice(_BY_KEY["reason"])
    if rnd.random() < 0.15:
        rows.append(deepcopy(row))
    if rnd.random() < 0.15:
        raw["kind"] = deepcopy(rnd.choice(_KINDS))
    if rnd.random() < 0.15:
        key = rnd.choice(["order", "list", "known"])
        raw["versions"] = {**raw.get("versions", {}), key: rnd.choice(_BY_KEY[key])}


@question("manifests-by-structure", 300)
def _structure(rnd: Random) -> Any:
    raw = toml_read.load(_with_rules(rnd, lint_words.BASE).encode(), name="m", max_bytes=1 << 20)[1]
    change = rnd.choice([_misshapen, _remade, _remade])
    for _ in range(rnd.choice([1, 1, 2, 3, 6])):
        change(rnd, raw)
    return told(lambda: check(raw, rnd.choice(_TODAYS)))


@question("manifests-key-by-key", 1)
def _key_by_key(rnd: Random) -> Any:
    """Every value of every key of every table, alone, in the first row or in the second."""
    rows: list[Any] = []
    for table, names in _KEYS_OF.items():
        for name in names:
            for number, value in enumerate(_BY_KEY[name]):
                raw = toml_read.load(_ALL_TABLES.encode(), name="m", max_bytes=1 << 20)[1]
                row = raw[table][(number % len(raw[table]))] if table else raw
                row[name] = deepcopy(value)
                if name == "reason":
                    row["lifecycle"] = rnd.choice(_BY_KEY["lifecycle"])
                rows.append([table, name, number, _in_short(check(raw, _TODAYS[number % 4]).problems)])
    for kinds in _KINDS:
        raw = toml_read.load(_ALL_TABLES.encode(), name="m", max_bytes=1 << 20)[1]
        raw["kind"] = deepcopy(kinds)
        rows.append([repr(kinds), _in_short(check(raw, TODAY).problems)])
    return told(lambda: rows)


def _in_short(problems: Any) -> list[Any]:
    """Each problem with all its facts, but the level, which its code says."""
    return [[p.code, p.path, p.message, p.hint, p.at, p.on_key, p.other, p.level] for p in problems]


_FILES = (
    "marram-rack-6.1.0.bin",
    "marram-blade-6.1.0.bin",
    "marram-blade-5.4.10a.bin",
    "marram-infrastructure-6.0.1.bin",
    "blade_rack-6.bin",
    "notes.txt",
    "marram-blade-6.1.0.bin.sig",
    "marram-rack-6.1.0.bin.minisig",
    "a b.bin",
    "infra-5.bin",
    "infra-6.bin",
    "blade-6.bin",
    "rack-6.bin",
    "x-2026-08-01-1.2.7z",
    "Infra-5.bin",
    "rack-6.1.0_x86_64.bin",
    "orphan.sig",
    "new-blade-6.2.0.bin",
    "weiß\n.bin",
    "rack-6.bin.asc",
)


def _rows(rnd: Random) -> list[DraftRow]:
    rows = []
    for file in rnd.choices(_FILES, k=rnd.randint(0, 7)):
        digest = rnd.choice([f"{rnd.randrange(9):064x}", "a" * 64, "b" * 64, None])
        size = rnd.choice([None, 10, 11, 12, rnd.randint(0, 10**6)])
        rows.append(DraftRow(file, digest, size, rnd.choice(["", "", "publisher: page", "own copy"])))
    return rows


_LINES = (
    b"\\" + b"a" * 64 + b"  x\\ny\n", b"\\" + b"a" * 64 + b"  x\\q\n", b"SHA256 (x.bin) = short\n",
    b"SHA999 (x) = " + b"a" * 64 + b"\n", b"BLAKE2b (x) = " + b"a" * 128 + b"\n", b"a" * 64 + b"\n",
    b"a" * 33 + b"  x\n", b"a" * 64 + b"  " + b"n" * 5000 + b"\n", b"MD5 (y) = " + b"a" * 32 + b"\n",
    b"SHA256 () = " + b"a" * 64 + b"\n", b"a" * 64 + b" \0\n", b"SHA256(z.bin)= " + b"a" * 64 + b"\n",
    b"\\SHA256 (a\\\\b) = " + b"a" * 64 + b"\n", b"sha256 (a) = " + b"a" * 64 + b"\n",
)  # fmt: skip


def _list(rnd: Random) -> bytes:
    lines = []
    for file in rnd.choices(_FILES, k=rnd.randint(1, 7)):
        digest = rnd.choice([f"{rnd.randrange(9):064x}", "a" * 64, "b" * 64, "C" * 64])
        name = rnd.choice([file, file, f"sub/{file}", f"other/{file}"])
        line = format_line(name, digest, tagged=rnd.random() < 0.4, binary=rnd.random() < 0.3)
        if rnd.random() < 0.15:
            line = rnd.choice(
                [f"SHA512 ({file}) = {'d' * 128}\n".encode(), f"{'e' * 32}  {file}\n".encode(), b"\n", b"# note\n"]
            )
        if rnd.random() < 0.06:
            line = rnd.choice(
                [line.replace(b"  ", b" "), line[3:], b"junk\n", line.rstrip() + b"\r\n", rnd.choice(ODD)]
            )
        if rnd.random() < 0.08:
            line = rnd.choice(_LINES)
        lines.append(line)
    data = b"".join(lines)
    if rnd.random() < 0.1:
        data = b"-----BEGIN PGP SIGNED MESSAGE-----\nHash: SHA256\n\n" + data
        data += b"-----BEGIN PGP SIGNATURE-----\n\niQ==\n-----END PGP SIGNATURE-----\n"
    return data


@question("checksum-lists", 120)
def _checksum_lists(rnd: Random) -> Any:
    data, name = (
        _list(rnd),
        rnd.choice(["SHA256SUMS", "lists/SHA512SUMS", "x.sha256", "marram-blade-6.1.0.bin", "a.bin.sig"]),
    )
    looks = [looks_like_list.is_list(name, data[:n], whole=n >= len(data)) for n in (0, 40, len(data))]

    def read() -> Any:
        found = checksum_list.parse(data, name=name)
        return [found, found.by_base_name(), draft_rows.entries_from_list(found)]

    return [data, looks, looks_like_list.is_signature_of_list(name), told(read)]


@question("drafts", 80)
def _drafts(rnd: Random) -> Any:
    rows = _rows(rnd)
    names = [[file, guess_family(file), guess_version(file)] for file in rnd.sample(_FILES, 4)]

    def lists() -> Any:
        found = [
            checksum_list.parse(_list(rnd), name=name) for name in ("SHA256SUMS", "b/SHA256SUMS")[: rnd.randint(1, 2)]
        ]
        merged, findings = merge_lists.merge(found, rows)
        return [merged, findings, draft.draft(merged, platform="marram", issued=TODAY, digest_from="own copy")]

    def drafted() -> str:
        return draft.draft(
            rows, platform="marram", issued=TODAY, digest_from="publisher: x", sequence=rnd.randint(1, 9)
        )

    return [
        names,
        rows,
        draft_rows.in_order(rows),
        told(lambda: draft_rows.split_signatures(rows)),
        told(drafted),
        told(lists),
    ]


@question("amended-manifests", 60)
def _amended(rnd: Random) -> Any:
    text = reworded(rnd, lint_words.BASE, rnd.choice([0, 0, 1, 2]))
    for old in (
        'sha256 = "' + "a" * 64 + '"\n',
        "size = 11\n",
        'digest_from = "publisher\'s page"\n',
        "sequence = 3\n",
    ):
        if rnd.random() < 0.3:
            text = text.replace(old, "", rnd.choice([1, 9]))
    if rnd.random() < 0.3:
        text = text.replace('"publisher\'s page"', '"own copy"')
    rows = _rows(rnd)

    def confirmed() -> Any:
        listed = checksum_list.parse(_list(rnd), name="lists/SHA256SUMS")
        source = rnd.choice(["publisher: page", "publisher: page, 2026-11-25"])
        return amend.confirm(text, listed, source=source, today=TODAY, name="m.toml")

    return [told(lambda: amend.fill(text, rows, name="m.toml")), told(confirmed)]
