"""Lint as a whole: many problems at once, wording, what must not be said, and that no input breaks it."""

from __future__ import annotations

import random
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.model.lint import LINT_CODES
from bundlekeeper.model.lint.read_manifest import Loaded, lint, read
from bundlekeeper.model.manifest.types import Bundle, Compatible, Image, Jump, Manifest, Release, RuleSubject, Versions
from tests.kits.lint_words import BASE, INFRA, compatible, jump
from tests.kits.sure import some

EXAMPLE = Path(__file__).parents[3] / "manifests" / "marram-14.toml"
TODAY = date(2026, 11, 25)


def found(text: str) -> list[Finding]:
    return lint(text.encode(), name="m.toml", today=TODAY)


def codes(text: str) -> list[str]:
    return [f.code for f in found(text)]


MANY = """manifest = 1
platfrm = "marram"
sequence = "14"
issued = "2026-08-14"
expires = 2026-10-01
families = ["infrastructure", "blades", "rack"]

[versions]
order = "naturl"
known = ["5.4.2", 5]

[[bundle]]
family = "infrastructure"
version = "6.1.0"
file = "a/b.bin"
size = -1
sha256 = "abc"
images = [
  { kind = "io-modul", models = [], version = "6.1.0" },
  { kind = "bios", model = ["Tern-2"], version = 6 },
  7,
]

[[bundle]]
family = "rack"
version = "6.1.0"
file = "A.bin"
size = 0
sha256 = "zz"
lifecycle = "withdrawn"
digest_from = "page"

[[bundle]]
family = "rack"
version = "6.1.0"
file = "a.bin"
size = 1
sha256 = "d41d8cd98f00b204e9800998ecf8427e"
digest_from = "own copy"
variant = "alone"

[[release]]
name = ""
infrastructure = 6
blade = ["6.1.0", ""]

[[jump]]
what = { famly = "rack" }
to = ""
source = " "

[[compatible]]
scope = "room"
when = { family = "infrastructure", version = ">=" }
need = [{ family = "rack" }]

[kind.BIOS]
method = "burn"
"""

#: line:column and code of every problem of MANY, counted by hand.
EXPECTED = """
1:1 missing-key|2:1 key-unknown|3:12 wrong-type|4:10 date-form|5:11 expired|6:31 bad-value|9:9 bad-value
10:19 wrong-type|12:1 digest-unsourced|15:10 name-unsafe|16:8 bad-value|17:10 digest-length|19:12 kind-unknown
19:33 bad-value|20:3 missing-key|20:20 key-unknown|20:50 wrong-type|21:3 wrong-type|24:1 variant-missing
24:1 reason-missing|28:8 digest-empty|29:11 digest-alphabet|36:8 name-clash|38:10 digest-algorithm|39:15 own-copy
40:11 variant-misplaced|42:1 release-incomplete|43:8 bad-value|44:18 wrong-type|45:10 release-version|45:19 bad-value
47:1 missing-key|48:10 key-unknown|49:6 bad-value|50:10 source-missing|52:1 source-missing
53:9 bad-value|55:9 need-open|57:7 bad-value|58:10 bad-value
"""


def test_dozens_of_problems_are_reported_at_once_each_at_its_place() -> None:
    """Issue 2: `all problems at once with file:line:column, the line itself with a caret, and a hint`."""
    problems = found(MANY)
    reported = [f"{p.where.removeprefix('m.toml:')} {p.code}" for p in problems]
    expected = EXPECTED.strip().replace("\n", "|").split("|")
    assert [t for t in expected if t not in reported] == []
    assert [t for t in reported if t not in expected] == []
    assert len(reported) >= 30
    assert all(p.message and p.hint and p.excerpt.count("\n") == 1 for p in problems)


@pytest.mark.parametrize(
    ("old", "new", "message", "hint"),
    [
        ("size = 10", "sise = 10", "there is no key 'sise' here", "did you mean size?"),
        ("size = 10", "size = 10\nSHA_256 = 1", "there is no key 'SHA_256' here", "did you mean sha256?"),
        ("[[bundle]]", "[[bundles]]\n[[bundle]]", "there is no key 'bundles' here", "did you mean bundle?"),
        (
            'kind = "bios"',
            'kind = "management-controler"',
            "'management-controler'",
            "did you mean management-controller?",
        ),
        (
            'variant = "managed-servers"',
            'variant = "mangaed-servers"',
            "'mangaed-servers' is none of the manifest's variants",
            "did you mean managed-servers?",
        ),
        ("a" * 64, "a" * 10 + "O" + "a" * 53, "character 11 of the digest is 'O'", "is it a zero?"),
        ("a" * 64, "a" * 10 + "x" + "a" * 51, "(and it has 62 characters, not 64)", "publisher's list"),
        ("a" * 64, "a" * 32, "a digest of 32 digits is MD5", "64 digits"),
        ("a" * 64, "a" * 40, "a digest of 40 digits is SHA-1", "64 digits"),
        ("a" * 64, "a" * 56, "is SHA-224", "64 digits"),
        ("a" * 64, "a" * 96, "is SHA-384", "64 digits"),
        ("a" * 64, "a" * 128, "is SHA-512", "64 digits"),
        ("a" * 64, "sha256:" + "a" * 64, "prefix 'sha256:'", "delete sha256:"),
        ("a" * 64, "sha512:" + "a" * 128, "prefix 'sha512:'", "get the SHA-256"),
        ("a" * 64, "a" * 63, "63 digits, not 64", "copy it again"),
        ("b" * 64, "a" * 64, "infra-6.bin has the digest of infra-5.bin (line 17)", "two names"),
        ('"infra-6.bin"', '"INFRA-5.bin"', "differ only by case (line 15)", "FAT"),
        ('"infra-6.bin"', '"e\u0301.bin"', "not in Unicode's composed form", "compose"),
        ('blade = ["6.1.0"]', 'blade = ["6.1"]', "no bundle of blade has the version '6.1'", "write 6.1.0"),
        ('blade = ["6.1.0"]', 'blade = ["6.1.00"]', "no bundle of blade", "write 6.1.0"),
        ('blade = ["6.1.0"]', 'blade = ["6.1.9"]', "no bundle of blade", "did you mean 6.1.0?"),
        ("size = 10", 'size = "10"', "size takes a whole number, not '10'", "without quotes"),
        ("[versions]", "[[versions]]", "versions takes a table, not an array", "single brackets"),
        ("expires = 2027-02-14", "expires = 2026-11-20", "expired on 2026-11-20, 5 days ago", "newer"),
        ('to = ">=6.0"', 'to = "~6.0"', "~ is not an operator", "use >="),
        (
            'version = "6.0.9"',
            'version = "latest"',
            "version latest has no digit",
            "[kind.management-controller] order",
        ),
    ],
)
def test_words(old: str, new: str, message: str, hint: str) -> None:
    assert old in BASE
    problems = found(BASE.replace(old, new, 1))
    assert [p for p in problems if message in p.message and hint in p.hint], [
        (p.code, p.message, p.hint) for p in problems
    ]


def test_pydantics_noise_reaches_nobody() -> None:
    text = "".join(f"{p.message} {p.hint} {p.subject}" for p in found(MANY))
    for word in ("constrained", "tuple", "Input should", "valid dictionary", "str_", "Extra inputs"):
        assert word not in text


# --- what must not be said --------------------------------------------------------------------------------------------

LISTED = BASE.replace('known = ["5.4.2"]', 'order = "listed"\nlist = ["5.4.2", "5.4.10", "6.0", "6.1", "6.1.0"]')


@pytest.mark.parametrize(
    "text",
    [
        BASE + jump(from_='">=5.4.2,<=5.4.10"'),  # narrower, not against the other
        BASE + jump(to="<6", from_='"<5.4.10"'),  # no target in common
        BASE + jump('family = "blade"', from_='"<5.4.10"'),  # other components
        BASE + jump(from_='"6.1.0"', to="<6", direction="down"),
        BASE + jump('kind = "io-module"', ">=6", '"<5.4.10"'),  # image versions, not bundle versions
        BASE + jump('kind = "bios", models = ["Tern-2"]', ">=6", '"<6"')
        + jump('kind = "bios", models = ["Tern-4"]', ">=6", '"6.1.0"', "both"),
        BASE + jump(from_='">=5.4.2"', to=">=5.4.2"),
        BASE + compatible('kind = "bios"', '{ kind = "bios", version = ">=6" }', "pair"),
        BASE + compatible(INFRA + ', version = "<6"', '{ family = "blade", version = "<6" }'),
        BASE + compatible('kind = "bios", version = "<6"', '{ kind = "bios", version = "<6" }', "server"),
        BASE.replace('rack = "6.1.0"', 'rack = ["6.1.0"]\nsource = "x"\nnote = "y"'),
        BASE.replace("size = 11", 'size = 11\nbase = "5.4.10"'),
        BASE.replace("size = 11", 'size = 11\nbase = "5.4.2"'),
        BASE.replace("size = 11", 'size = 11\nonly = ["io-module"]'),
        BASE + '\n[kind.bios]\nminutes = 3\n[kind.bios.models."MB 2"]\nmethod = "two-bank"\n',
        BASE.replace("issued = 2026-08-14", "issued = 2026-11-26"),  # tomorrow, where it was written
        BASE.replace("expires = 2027-02-14", "expires = 2026-11-25"),  # its last day
        BASE.replace("\n", "\r\n"),
        LISTED.replace('"6.0.9"', '"6.1"').replace(">=6.0", ">=6.0").replace('[{ family', '[{ family'),
    ],
    ids=range(19),
)  # fmt: skip
def test_good_manifests_have_no_problem(text: str) -> None:
    assert [(p.code, p.message, p.where) for p in found(text)] == []


def test_a_release_with_lists_is_refused_only_where_no_choice_is_left() -> None:
    older = '[[bundle]]\nfamily = "blade"\nversion = "5.4.10"\nfile = "blade-5.bin"\nsize = 1\n'
    older += f'sha256 = "{"e" * 64}"\ndigest_from = "page"\n'
    base = BASE.replace("[[release]]", older + "\n[[release]]")
    # BASE's rule: beside infrastructure >= 6.1 a blade bundle is >= 6.0.
    both = base.replace('blade = ["6.1.0"]', 'blade = ["6.1.0", "5.4.10"]')
    (problem,) = found(both)
    assert (problem.code, problem.subject) == ("release-refused", "release[0].blade[1]")
    # With an infrastructure to choose that the rule doesn't speak about, both blades have their place.
    assert codes(both.replace('infrastructure = "6.1.0"\nblade', 'infrastructure = ["6.1.0", "5.4.10"]\nblade')) == []
    # Only the old blade: the new infrastructure has no place any more.
    only = base.replace(
        'infrastructure = "6.1.0"\nblade = ["6.1.0"]', 'infrastructure = ["5.4.10", "6.1.0"]\nblade = "5.4.10"'
    )
    (problem,) = found(only)
    assert (problem.code, problem.subject) == ("release-refused", "release[0].infrastructure[1]")


@pytest.mark.parametrize(
    ("scope", "when", "need", "refused"),
    [
        # the same bundle brings both components
        ("server", 'kind = "bios"', '{ kind = "management-controller", version = ">=6.1" }', True),
        ("server", 'kind = "bios", models = ["Tern-2"]', '{ kind = "management-controller", version = ">=6.1" }', True),
        ("server", 'kind = "bios", version = "<6.1"', '{ kind = "management-controller", version = ">=6.1" }', False),
        # parts of two families stand in one domain, some in one chassis, none in one server
        ("domain", 'kind = "io-module"', '{ kind = "management-controller", version = ">=6.1" }', True),
        ("chassis", 'kind = "io-module"', '{ kind = "management-controller", version = ">=6.1" }', True),
        ("server", 'kind = "io-module"', '{ kind = "management-controller", version = ">=6.1" }', False),
        ("chassis", 'kind = "bios"', '{ family = "rack", version = "<6" }', False),
        # it depends on the models of the domain, which lint doesn't know
        ("domain", 'kind = "io-module"', '{ kind = "bios", version = "<=6.0.9" }', False),
    ],
)
def test_a_release_is_checked_by_rules_of_each_scope(scope: str, when: str, need: str, refused: bool) -> None:
    """`compatible holds in every state for every pair of components in its scope`."""
    base = BASE.replace(
        '["Tern-2", "Tern-4"], version = "6.1.0" },',
        '["Tern-2"], version = "6.1.0" },\n  { kind = "bios", models = ["Tern-4"], version = "6.0.9" },',
    )
    assert [c for c in codes(base + compatible(when, need, scope)) if c != "range-unmatched"] == [
        "release-refused"
    ] * refused


def test_a_model_table_of_its_own_file_may_be_ahead_of_the_release() -> None:
    """The model list `can be ahead of everything else at no risk, and must be brought up first`"""
    table = '  { kind = "model-list", models = ["Reed-40"], version = "2026-2" },\n'
    base = BASE.replace("images = [\n", "images = [\n" + table, 1)
    rule = compatible('family = "blade", version = ">=6.1"', '{ kind = "model-list", version = ">=2026-3" }', "domain")
    ahead = '[[bundle]]\nfamily = "infrastructure"\nversion = "6.1.0-t3"\nfile = "t3.bin"\nsize = 1\n'
    ahead += f'sha256 = "{"f" * 64}"\ndigest_from = "page"\nonly = ["model-list"]\n'
    ahead += 'images = [{ kind = "model-list", models = ["Reed-40"], version = "2026-3" }]\n'

    def with_(more: str) -> list[str]:
        return [c for c in codes(base.replace("[[release]]", more + "\n[[release]]", 1) + rule) if "release" in c]

    assert with_("") == ["release-refused"]
    assert with_(ahead) == []
    assert with_(ahead.replace("2026-3", "2026-2")) == ["release-refused"]
    assert with_(ahead + 'lifecycle = "withdrawn"\nreason = "x"\n') == ["release-refused"]


def test_a_family_is_published_in_variants_or_not() -> None:
    """A bundle of any family may name a variant; then every bundle of that family does, and two differ by it."""
    both = BASE.replace("size = 10", 'size = 10\nvariant = "single-servers"')
    assert codes(both) == ["variant-missing"]
    both = both.replace("size = 11", 'size = 11\nvariant = "single-servers"')
    assert codes(both) == []
    rack = BASE[BASE.index('[[bundle]]\nfamily = "rack"') : BASE.index("[[release]]")]
    again = rack.replace("rack-6", "rack-6s").replace("d" * 64, "e" * 64)
    assert codes(BASE.replace("[[release]]", again + "[[release]]")) == ["bundle-twice"]
    other = again.replace("managed-servers", "single-servers")
    assert codes(BASE.replace("[[release]]", other + "[[release]]")) == []


def test_jumps_in_a_listed_order_are_compared_over_the_list() -> None:
    rule = jump(to="6.1.0", from_='"6.1"')
    assert "jump-backwards" not in codes(LISTED + rule)
    assert "jump-backwards" in codes(LISTED + jump(to="6.1", from_='"6.1.0"'))
    assert "rules-contradict" in codes(LISTED + rule + jump(to="6.1.0", from_='"6.0"'))


def test_a_broken_bundle_does_not_stop_the_other_checks() -> None:
    broken = BASE.replace('[[bundle]]\nfamily = "rack"', "[[bundle]]\nfamily = 3").replace("a" * 64, "a")
    assert codes(broken) == ["digest-length", "bad-value"]


def test_a_rule_about_a_kind_speaks_about_image_versions_only() -> None:
    """planning/rules: `a rule that names a kind speaks about image versions`: one written for the bundle's is dead."""
    rule = compatible('kind = "bios"', '{ kind = "management-controller", version = "6.1.0" }', "chassis")
    assert [c for c in codes(BASE + rule) if c != "release-refused"] == ["range-unmatched"]
    assert "range-unmatched" not in codes(BASE + rule.replace('= "6.1.0', '= "6.0.9'))
    assert "range-unmatched" not in codes(BASE + rule.replace('= "6.1.0', '= "5.4.2'))  # known


def test_kinds_have_an_order_of_their_own() -> None:
    text = (
        BASE.replace('"6.0.9"', '"beta"')
        + '\n[kind.management-controller]\norder = "listed"\nlist = ["alpha", "beta"]\n'
    )
    assert codes(text) == []
    assert codes(text + compatible('kind = "bios"', '{ kind = "management-controller", version = ">=beta" }')) == []
    assert codes(text + compatible('kind = "bios"', '{ kind = "management-controller", version = ">=6" }')) == [
        "range-unreadable"
    ]


# --- no input breaks it -----------------------------------------------------------------------------------------------


def _try(data: bytes, *, both: bool = True) -> None:
    """Whatever the bytes are: findings in order, of known codes, or our own error; `both`: read agrees with lint."""
    try:
        problems = lint(data, name="m", today=TODAY)
    except InputError as refused:
        assert refused.problems
        if not both:
            return
        with pytest.raises(InputError):
            read(data, name="m", today=TODAY)
        return
    places = [tuple(int(n) for n in p.where.split(":")[1:]) for p in problems]
    assert places == sorted(places)
    assert all(p.code in LINT_CODES and p.message and p.excerpt for p in problems)
    if not both:
        return
    try:
        loaded: Loaded | None = read(data, name="m", today=TODAY)
    except InputError as refused:
        loaded = None
        assert list(refused.problems) == problems
    assert (loaded is None) == any(p.level is Level.ERROR for p in problems)


def _mutations(seed: int, whole: bytes, count: int) -> list[bytes]:
    chance = random.Random(seed)
    lines = whole.splitlines(keepends=True)
    tokens = [
        b'""',
        b"1",
        b"[",
        b"]",
        b"{",
        b"}",
        b"=",
        b"'",
        b'"',
        b"\n",
        b"\xff",
        b"\0",
        b"-1",
        b"nan",
        b"2026-01-01",
        b"[[",
        b"a.b",
        b"[]",
        b"{}",
        b"true",
    ]
    made = []
    for number in range(count):
        data = bytearray(whole)
        match number % 6:
            case 0:
                data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
            case 1:
                start = chance.randrange(len(data))
                del data[start : start + chance.choice((1, 2, 10, 200, 2000))]
            case 2:
                start = chance.randrange(len(data))
                data[start:start] = data[start : start + chance.choice((1, 5, 80, 3000))]
            case 3:
                rows = list(lines)
                a, b = chance.randrange(len(rows)), chance.randrange(len(rows))
                rows[a], rows[b] = rows[b], rows[a]
                data = bytearray(b"".join(rows))
            case 4:
                rows = [row for row in lines if chance.random() > 0.02]
                data = bytearray(b"".join(rows))
            case _:
                start = chance.randrange(len(data))
                data[start : start + chance.randrange(8)] = chance.choice(tokens)
        made.append(bytes(data))
    return made


@pytest.mark.parametrize("seed", range(3))
def test_mutations_of_the_example(seed: int) -> None:
    """`A test throws seeded mutations of valid input at each parser`."""
    for number, data in enumerate(some(_mutations(seed, EXAMPLE.read_bytes(), 90))):
        _try(data, both=number % 10 == 0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 105))
def test_thousands_of_mutations_of_a_small_manifest(seed: int) -> None:
    for number, data in enumerate(some(_mutations(seed, BASE.encode(), 500))):
        _try(data, both=number % 10 == 0)


_SCALAR: st.SearchStrategy[Any] = st.one_of(
    st.integers(-1, 2**70),
    st.sampled_from(
        [
            "6.1.0",
            "",
            " ",
            ">=6",
            "<6",
            "rack",
            "blade",
            "bios",
            "io-module",
            "up",
            "both",
            "x" * 200,
            "é",
            "..",
            "listed",
        ]
    ),
    st.sampled_from([True, 1.5, "2026-08-14", "A" * 64, "own copy", "single-servers", "withdrawn", "\u202e"]),
)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f"'{value}'" if "'" not in value else '""'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(inner) for inner in value) + "]"
    return str(value)


_KEYS = st.sampled_from(
    [
        f.alias or k
        for t in (Bundle, Image, Release, Jump, Compatible, RuleSubject, Versions)
        for k, f in t.model_fields.items()
    ]
)
_VALUE = st.recursive(
    _SCALAR,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_KEYS, inner, max_size=5)),
    max_leaves=12,
)
_DOCUMENT = st.dictionaries(
    st.sampled_from([*Manifest.model_fields]),
    st.one_of(_VALUE, st.lists(st.dictionaries(_KEYS, _VALUE, max_size=8), max_size=3)),
    max_size=8,
)


@given(_DOCUMENT)
def test_the_right_keys_with_any_values(document: dict[str, Any]) -> None:
    """lint/__init__: `a check takes only values of the right type and skips the rest`."""
    _try("\n".join(f"{key} = {_toml(value)}" for key, value in document.items()).encode())


@given(st.one_of(st.binary(max_size=100), st.text(max_size=100).map(lambda t: t.encode("utf-8", "replace"))))
def test_any_bytes(data: bytes) -> None:
    _try(data)


def test_problems_of_hostile_texts_print_on_one_line() -> None:
    """trade/faults 73: `ESC, OSC, C1, bidi in anything printed`."""
    nasty = "\\u001b[31m\\u202e\\n"
    text = (
        BASE.replace('"infra-5.bin"', f'"{nasty}"')
        .replace('"bios"', f'"{nasty}"')
        .replace("[[jump]]", f'[[jump]]\n"{nasty}" = 1')
    )
    for problem in some(found(text)):
        assert (problem.message + problem.hint + problem.subject + problem.where).isprintable()
        assert all(row.isprintable() for row in problem.excerpt.split("\n"))


@pytest.mark.parametrize(
    ("rule", "count"),
    [
        ('[[jump]]\nwhat = { kind = "nokind" }\nfrom = ">="\nto = "=>1"\nsource = "x"\n', 2),
        ('[[jump]]\nwhat = { family = "nofamily" }\nfrom = "5.4,"\nto = ">=1"\nsource = "x"\n', 1),
        ('[[jump]]\nfrom = "~5"\nto = ">=1"\nsource = "x"\n', 1),
        (
            '[[compatible]]\nscope = "domain"\nsource = "x"\nwhen = { kind = "nokind", version = "=>1" }\n'
            'need = [{ family = "nofamily", version = ">=" }, { family = "blade", version = ">=" }]\n',
            3,
        ),
        ('[[jump]]\nwhat = { kind = "nokind" }\nfrom = ">=any word"\nto = ">=5"\nsource = "x"\n', 0),
    ],
)
def test_unreadable_ranges_of_a_rule_about_something_unknown_are_reported(rule: str, count: int) -> None:
    """ "Every problem at once"; what some order could read is not held against the rule."""
    reported = codes(f"{BASE}\n{rule}")
    assert reported.count("range-unreadable") == count
    assert {"kind-unknown", "bad-value", "missing-key"} & set(reported)
