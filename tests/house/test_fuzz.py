"""The fuzz in CI: a bounded number of examples of every parser, and verification that it would notice.

"A seeded mutation fuzz of every parser runs in CI for a bounded time, and longer by one command." Longer:
`python -m tests.fuzz --minutes 10`.
"""

from __future__ import annotations

import ast
import os
import random
import sys
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from tests.fuzz import __main__ as command
from tests.fuzz import parsers_media, parsers_verification
from tests.fuzz.mutating import MAX_BYTES, example
from tests.fuzz.parsers import PARSERS
from tests.fuzz.running import Parser, examples, run

assert parsers_media and parsers_verification  # imported for what they add
PACKAGE = Path(__file__).parents[2] / "bundlekeeper"
# In CI the same examples every time, so that a landing never depends on luck; at a developer's desk new ones each run.
SEED = 20261125 if os.environ.get("CI") else random.SystemRandom().randrange(1 << 32)
#: Functions that take bytes and parse nothing by themselves, with the reason.
EXEMPT = {
    "cli.screen.user_files": "writes",
    "cli.screen.answers.ledger.write_lines": "writes",
    "demo.tour_world": "makes the tour's files",
    "links.spreadsheet.reader.cells_of": "run by links.spreadsheet.read in a process of its own",
    "store.verifying.expected.read_listing": "a memory around model.lint.read_manifest",
    "store.signatures.voucher.digests_of": "computes digests",
    "verification.keys.minisign_key.lines_of": "only divides",
    "verification.signatures.sshsig.verify": "takes what parse made",
    "verification.signatures.sshsig.sign": "signs",
}
#: Readers that are being written; must be empty before anything is called done.
LATER: tuple[str, ...] = ()


@pytest.mark.parametrize("parser", PARSERS.values(), ids=PARSERS)
def test_only_our_own_errors_come_out(parser: Parser) -> None:
    """ "nothing but our own error family may come out", and no input costs more than its size"""
    good = [run(parser, seed) for seed in parser.seeds()]
    assert [str(failure) for _, failure, _ in good if failure] == []
    assert any(taken for taken, _, _ in good), "none of the parser's good inputs is taken"
    found = (run(parser, data) for data in islice(examples(parser, SEED), parser.examples))
    assert [f"seed {SEED}: {failure}" for _, failure, _ in found if failure][:3] == []


def test_every_reader_of_bytes_is_fuzzed() -> None:
    """ "every parser": a public function whose first argument is `data: bytes` is covered, or it is said why not."""
    covered = {name for parser in PARSERS.values() for name in parser.covers}
    missing = []
    for path in sorted(PACKAGE.rglob("*.py")):
        module = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        for node in ast.parse(path.read_text("utf-8")).body:
            if not isinstance(node, ast.FunctionDef) or node.name.startswith("_") or not node.args.args:
                continue
            first = node.args.args[0]
            kind = ast.unparse(first.annotation) if first.annotation else ""
            if first.arg not in ("data", "der", "blob", "lines") or "bytes" not in kind:
                continue
            name = f"{module}.{node.name}"
            if name not in covered and not name.startswith((*EXEMPT, *LATER)):
                missing.append(name)
    assert not missing, " ".join(missing)


# The fuzz itself


def _parser(read: Callable[[bytes], object]) -> Parser:
    return Parser("made", read, lambda: [b"abc = 12\n", b"[x]\n"], (b"word",), calls=2000, calls_a_byte=1)


def test_the_same_seed_gives_the_same_examples() -> None:
    parser = _parser(bytes)
    one, two, other = (list(islice(examples(parser, seed), 300)) for seed in (1, 1, 2))
    assert one == two != other
    assert max(map(len, one)) <= MAX_BYTES
    assert len(set(one)) > 200


def test_every_change_changes_something() -> None:
    """Each sort of change is met, and the words of the format are used."""
    chance = random.Random(1)
    made = [example(chance, [b"abc = 12\n" * 20], [b"WORD"]) for _ in range(2000)]
    assert sum(b"WORD" in data for data in made) > 50
    assert sum(len(data) > 2000 for data in made) > 50
    assert sum(len(data) < 90 for data in made) > 50


def _foreign(data: bytes) -> None:
    if b"12" not in data:
        raise KeyError("x")


def _busy(data: bytes) -> None:
    for _ in data:
        data.count(b"a") and [b"" for _ in data]


def _deep(data: bytes) -> None:
    _deep(data)


def _ours(data: bytes) -> None:
    raise InputError("no")


def _silent(data: bytes) -> None:
    raise InputError("")


@pytest.mark.parametrize(
    ("read", "message"),
    [(_foreign, "KeyError: 'x'"), (_busy, "more than"), (_deep, "more than|RecursionError"), (_silent, "says nothing")],
)
def test_what_is_wrong_is_found(read: Callable[[bytes], object], message: str) -> None:
    parser = _parser(read)
    before = sys.getprofile()
    failures = [f for _, f, _ in (run(parser, data) for data in islice(examples(parser, 1), 40)) if f]
    assert failures
    assert any(word in failures[0].message for word in message.split("|"))
    assert sys.getprofile() is before
    assert run(_parser(_ours), b"x")[:2] == (False, None)


def test_the_command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    assert command.main(["--only", "durations", "--minutes", "0.002", "--seed", "7"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("durations ")
    assert "seed 7: " in out
    assert command.main(["--only", "nothing"]) == 2
    assert command.main(["--list"]) == 0
    monkeypatch.setitem(PARSERS, "made", _parser(_foreign))
    assert command.main(["--only", "made", "--minutes", "0.002", "--seed", "7"]) == 1
    assert "FAILED made: KeyError: 'x'" in capsys.readouterr().out
