"""The registers of faults and of attacks: what must be survived, and the tests that carry a mark of it.

`python -m tests.house.register` prints both as tables. Rules: what is registered here has at least one test that bears
its mark, `@pytest.mark.fault(NUMBER)` or `@pytest.mark.attack("NAME")`, and no mark names what is not here.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

TESTS = Path(__file__).parents[1]

#: What must be survived, by number: processes killed at a chosen call, calls that fail, power cuts, hostile input.
FAULTS = {
    1: "kill -9 at any call of `store add`",
    2: "power cut before the file's fsync",
    3: "power cut after the link, before the folder's fsync",
    4: "somebody removes an fsync",
    5: "cut between publishing and the store database's commit",
    6: "no bytes or no inodes in the middle of a copy",
    7: "no space only when written back",
    8: "EIO on write or fsync; fsync is never tried again",
    9: "EIO on the folder's fsync",
    10: "EIO while verifying: unreadable, not altered",
    11: "short write, EINTR",
    12: "bit flip at rest",
    13: "truncated, extended, zero-filled, empty",
    14: "verifying killed",
    15: "name in quarantine in use, or no space there",
    16: "unknown file in the store",
    17: "umask, other owner, a store that others may write",
    18: "read-only or immutable store",
    19: "temporary file on another file system",
    20: "EMFILE, EFBIG, killed for lack of memory",
    21: "source changes while it is read",
    22: "symbolic link as leaf or as parent",
    23: "hard-linked source",
    24: "FIFO, device, socket",
    25: "folder swapped for a link in the middle of a walk",
    26: "`../`, absolute, `\\`, `C:`, NUL in names",
    27: "`A.bin` and `a.bin`",
    28: "names equal after NFC and case folding",
    29: "`CON`, `NUL.bin`, `a:b`, final dot or blank",
    30: "name that is no UTF-8",
    31: "name of 256 bytes, very long path",
    32: "leading `-`, line break, control, bidi characters in names",
    33: "same name, other bytes",
    34: "same bytes, other name",
    35: "same file under two families",
    36: "any byte of a signed manifest altered",
    37: "signature stripped, 'none', downgraded",
    38: "RSA key where Ed25519 is expected",
    39: "weak key: RSA-1024, small-order Ed25519 point",
    40: "certificate expired, not yet valid, revoked",
    41: "one key signs twice (no threshold is offered: one signer each)",
    42: "valid signature made for another kind of document",
    43: "rollback",
    44: "freeze",
    45: "fast-forward of the sequence",
    46: "mix-and-match of families",
    47: "same sequence, other bytes",
    48: "keys twice, NaN, numbers of 5,000 digits, deep nesting",
    49: "gigantic manifest, signature, inventory",
    50: "decompression bomb",
    51: "unknown or newer format",
    52: "medium pulled while it is written",
    53: "medium pulled while it is received",
    54: "a verification that reads the page cache",
    55: "a drive that accepts writes and drops them",
    56: "over 4 GiB − 1 on FAT32",
    57: "no links, modes or unnamed files on the medium",
    58: "mount missing: the bare folder under it",
    59: "wrong medium, swapped or missing volume",
    60: "half a set or an older set on the media",
    61: "resume onto a changed file",
    62: "wrong Content-Range; 200 to a range",
    63: "redirect to another host or to http",
    64: "token sent across hosts",
    65: "TLS: unknown authority, wrong name, expired",
    66: "secrets in logs",
    67: "slow drip",
    68: "endless body; body cut without a length",
    69: "gzip bomb in a body",
    70: "proxies and netrc from the environment",
    71: "Redfish: loops, links off the host, huge or broken JSON, 503",
    72: "markup in names",
    73: "ESC, OSC, C1, bidi in anything printed",
    74: "CSV cell that begins with `= + - @`, tab, CR",
    75: "HTML in names",
    76: "two and twenty `store add` of one file",
    77: "lock of a dead process",
    78: "store or ledger on a network file system",
    79: "ledger killed in a transaction",
    80: "page of the ledger or of the store database damaged",
    81: "ledger or store database replaced by an empty file",
    82: "ledger copied; carried over a fork",
    83: "clock backwards and forwards",
    84: "10⁶ events, 10⁵ components",
    85: "hostile texts in an inventory",
    86: "Ctrl-C, SIGTERM, SIGHUP, SIGQUIT, closed pipe",
    87: "ledger of a newer version",
    88: "a turned bit in a row of the store database",
    89: "a turned bit in a row, index, kept inventory or the schema of the ledger",
    90: "an older store database or .keeper beside newer kept manifests",
    91: "a verification from a clock that was ahead",
    92: "one key under two names; removed under one",
    93: "a manifest issued in the future",
    94: "others may write what the store relies on",
    95: "a service answers 401 to every resource",
    96: "a volume's text of 100 GB, sparse; 300,000 lines",
    97: "verify.py on a hostile volume",
    98: "a text of a volume replaced, its lists made again",
    99: "an upload: killed between intent and outcome; a service that fails, lies, drops",
}

#: The attacks that the TUF specification 1.0.34 lists, and two more, with what bundlekeeper does against each.
ATTACKS = {
    "arbitrary installation": (
        "an attacker serves any file: a bundle enters the store only with the size and SHA-256 of an admitted "
        "manifest; if the store asks for signatures, manifest and bundle must be signed under a live entry whose "
        "form, purpose and namespace are the store's, never the manifest's; a bad signature is never ignored"
    ),
    "endless data": (
        "every reader is bounded before it parses: keys 64 KiB, signatures 16 KiB to 1 MiB by form, certificates 1 "
        "MiB, lists 8 MiB, a volume's lists 32 MiB and 100,000 lines, trust TOML and store.toml 64 KiB, manifest 16 "
        "MiB; a copy or download stops at the manifest's size, a signature's at 1 MiB; a whole message for pure "
        "Ed25519 stops at `max_whole_bytes` before memory is used"
    ),
    "extraneous dependencies": (
        "made to add more than was asked for: nothing resolves dependencies: only files that the manifest names are "
        "added; every other file in a source or a store is `extra`, never added and never deleted"
    ),
    "fast-forward": (
        "a sequence so high that no true manifest is admitted any more: with `signed_manifests = true` only a "
        "manifest signed under a live key raises the sequence; to recover, remove the key, trust a new one and "
        "admit the next manifest with `--allow-rollback REASON`, which is recorded"
    ),
    "indefinite freeze": (
        "old but valid documents served for ever: a manifest states `expires`; past it `store add` exits 4 unless "
        "`--allow-expired REASON`, `verify` works and reports `expired`; a clock earlier than a date that was "
        "admitted is `clock-doubtful`; then the newest admission judges expiry in `store add`, `store list` and "
        "`verify`, and the dates of keys everywhere, so that a clock set back makes nothing good again; a manifest "
        "issued in the future is refused (a clock that was far ahead at one admission counts too, unless a later "
        "manifest corrects the date: to recover, use `--allow-expired`, or rename the store database and rebuild "
        "it); a revocation list past its next update clears nobody"
    ),
    "malicious mirrors": (
        "mirrors and media are only carriers: no key, root or policy ever comes from one; everything from them is "
        "compared with manifest and trust list; downloads are bounded in bytes, time and redirects"
    ),
    "mix-and-match": (
        "true documents that never belonged together: one signed manifest names every digest of every family; a "
        "signature for one kind of document is never good for another (namespace, purpose); raw forms, which cannot "
        "name their kind, serve exactly one purpose; a second read is compared with the first. A media set's "
        "volumes are bound by a signed index that names every file"
    ),
    "rollback": (
        "the highest admitted sequence is kept; a lower one is refused unless `--allow-rollback REASON` (recorded); "
        "the same sequence with other bytes is refused as a contradiction; the same for the sequences of an "
        "issuer's media sets"
    ),
    "key compromise": (
        "a purpose or a namespace limits a stolen key to its kind; after `trust remove` everything that it signed "
        "is `removed-key`, for `verify --quick` too; one key has one entry and is removed under every name, as a "
        "signer, in a certificate and as a root; a removed key cannot be added again; an entry's dates are checked "
        "at the document's own date and on the day of admission; certificates are revoked by lists from files; weak "
        "keys are refused"
    ),
    "wrong software": (
        "a true file for something else: a manifest is for one platform and refused for another; a bundle states "
        "family, variant, version, kinds and models; last quarter's file under this quarter's name is found by its "
        "digest and named"
    ),
    "not on that list: downgrade of form, confusion of keys": (
        "form and type of key are tied in the entry; small-order points are refused; a trust file put in another's "
        "place is refused"
    ),
}


def marks(kind: str) -> Iterator[tuple[int | str, str]]:
    """What each mark of this kind names, and the test that bears it, `file::function`, in the order of the files."""
    for path in sorted(TESTS.rglob("test_*.py")):
        text = path.read_text("utf-8")
        if f"mark.{kind}(" not in text:
            continue
        for node in ast.walk(ast.parse(text)):
            for mark in node.decorator_list if isinstance(node, ast.FunctionDef) else ():
                if isinstance(mark, ast.Call) and ast.unparse(mark.func) == f"pytest.mark.{kind}":
                    (named,) = mark.args
                    assert isinstance(named, ast.Constant)
                    assert isinstance(named.value, (int, str))
                    assert isinstance(node, ast.FunctionDef)
                    yield named.value, f"{path.relative_to(TESTS)}::{node.name}"


@cache
def functions_of(file: str) -> frozenset[str]:
    """The names of the test functions at the top of a file, which is given below the folder of tests."""
    path = TESTS / file
    if not path.exists():
        return frozenset()
    tree = ast.parse(path.read_text("utf-8"))
    return frozenset(n.name for n in tree.body if isinstance(n, ast.FunctionDef) and n.name.startswith("test_"))


def table(kind: str, registered: dict[int, str] | dict[str, str]) -> Iterator[str]:
    """The register of one kind as a table in Markdown."""
    tests: dict[int | str, list[str]] = {}
    for named, test in marks(kind):
        tests.setdefault(named, []).append(f"`{test}`")
    yield f"| {kind} | what | tests |"
    yield "| --- | --- | --- |"
    for named, what in registered.items():
        yield f"| {named} | {what} | {', '.join(tests.get(named, ()))} |"


if __name__ == "__main__":
    print("\n".join([*table("fault", FAULTS), "", *table("attack", ATTACKS)]))
