"""Questions of small words: versions and ranges, times, names, acceptance, plans by hand, records, trust entries."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from random import Random
from typing import Any

from bundlekeeper.formats import durations, moments, toml_read
from bundlekeeper.formats.safe_names import problems_of_name
from bundlekeeper.model import record_rules, versions
from bundlekeeper.model import store_settings as settings
from bundlekeeper.model.route.hand_plan import read_plan
from bundlekeeper.model.trust import PURPOSES, TrustEntry
from bundlekeeper.model.vocabulary import BANKS, KINDS, METHODS
from tests.answers.of_manifests import reworded
from tests.answers.plain import told
from tests.answers.registry import question
from tests.fuzz.mutating import example
from tests.kits.planning_kit import TODAY
from tests.kits.route_commands import PLAN


def _version(rnd: Random) -> str:
    components = [str(rnd.choice([0, 1, 2, 5, 10])) for _ in range(rnd.randint(1, 4))]
    tail = rnd.choice(["", "", "", "-p1", "a", "~rc1", "-rc.1", "+b", "_beta2", "(1)", "-alpha", "dev", ":1", "-1"])
    return rnd.choice(["", "", "v", "1:"]) + ".".join(components) + tail


def _span(rnd: Random) -> str:
    pieces = [rnd.choice([">=", ">", "<", "<=", "==", "!=", "", "="]) + _version(rnd) for _ in range(rnd.randint(1, 3))]
    return ",".join(pieces)


def _key_of(order: versions.Order, version: str) -> str:
    return repr(order.key(version))


@question("versions", 150)
def _versions(rnd: Random) -> Any:
    some = [_version(rnd) for _ in range(4)]
    spans = [_span(rnd) for _ in range(2)]
    rows = []
    for name in ("natural", "semver", "debian", "listed"):

        def asked(name: str = name) -> Any:
            order = versions.order(name, some[:3] if name == "listed" else ())
            keys = [told(_key_of, order, v) for v in some]
            compared = [told(versions.compare, order, a, b) for a in some for b in some[:2]]

            def ranges() -> Any:
                read = [versions.Range.parse(span, order) for span in spans]
                empty = [
                    str(read[0]),
                    read[0].is_empty(),
                    versions.satisfiable(read),
                    str(read[0].intersect(*read[1:])),
                ]
                return [empty, [told(read[0].contains, v) for v in some]]

            return [keys, compared, told(ranges)]

        rows.append(told(asked))
    return [some, spans, rows]


_SETTINGS = (
    'store = 1\nsigned_families = ["infrastructure"]\nforms = ["sshsig", "rsa-pss-sha256"]\n'
    'signed_manifests = true\nmax_proof_age = "90d"\nmax_whole_bytes = 1_073_741_824\n'
)


@question("store", 60)
def _settings(rnd: Random) -> Any:
    text = reworded(rnd, _SETTINGS, rnd.choice([0, 1, 2]))
    if rnd.random() < 0.4:
        text = text.replace(
            rnd.choice(["true", "1_073_741_824", '"90d"', "1\n"]), rnd.choice(["0", "false", '"36h"', "-1", "[]"])
        )

    def read() -> Any:
        found = settings.read_settings(text.encode())
        return [found, [found.needs_signature(f) for f in ("infrastructure", "blade", "rack")]]

    return told(read)


@question("hand-written-plans", 120)
def _hand_plans(rnd: Random) -> Any:
    raw = toml_read.load(PLAN.encode(), name="p", max_bytes=1 << 20)[1]
    values: list[Any] = [
        None,
        "",
        "x" * 300,
        7,
        [],
        ["bios"],
        ["bios", "bios"],
        [""],
        [3],
        {},
        "blade",
        "infrastructure",
        "servers",
        "6.1",
        True,
    ]
    for _ in range(rnd.choice([0, 1, 1, 2, 3])):
        node = (
            rnd.choice([raw, *(row for row in raw["step"] if isinstance(row, dict))])
            if isinstance(raw.get("step"), list)
            else raw
        )
        key = rnd.choice([*node, "only", "servers", "note", "release", "version", "what", "servr", "plan"])
        if rnd.random() < 0.2:
            node.pop(key, None)
        elif isinstance(node.get(key), list) and rnd.random() < 0.5:
            node[key] = rnd.choice([[*node[key], rnd.choice(values)], [], node[key] * 80])
        else:
            node[key] = rnd.choice(values)
    text = json.dumps(raw)
    if rnd.random() < 0.3:
        text = reworded(rnd, PLAN, rnd.choice([0, 1, 2]))

    def read() -> Any:
        found = read_plan(text.encode(), name="plan", form="json" if text.startswith("{") else "toml")
        return [found.name, found.domain, found.release, found.steps, [found.where(("step", n)) for n in range(3)]]

    return told(read)


@question("small-words", 120)
def _small_words(rnd: Random) -> Any:
    times = [b"2026-03-01", b"2026-03-01T14:05+01:00", b"2026-03-29T02:30:00", b"2026-10-25 02:30:00.000001Z"]
    spans = [b"30d", b"36h", b"90m", b"2w", b"1h30m", b"90"]
    names = [b"marram-rack-6.1.0.bin", b"CON.txt", b"a/b", b"x ", b".hidden"]
    moment, span, name = (example(rnd, seeds, [b"-", b"Z", b"d"]).decode("utf-8", "replace") if rnd.random() < 0.6
                          else rnd.choice(seeds).decode() for seeds in (times, spans, names))  # fmt: skip
    zone = rnd.choice(["UTC", "Europe/Lisbon", "+02:00", "-03:30"])

    def when() -> Any:
        found = moments.moment(moments.parse(moment), zone)
        return [found, found.text(), found.utc()]

    return [told(when), told(lambda: durations.seconds(span)), told(lambda: problems_of_name(name))]


@question("what-may-be-recorded", 150)
def _record_rules(rnd: Random) -> Any:
    def version() -> str:
        return rnd.choice(["6.0", "6.1", "5.4"])

    kind = rnd.choice(["bios", "fabric-switch", "domain-manager", "tide-gauge", "disk"])
    method = rnd.choice([KINDS[kind].method if kind in KINDS else "", *METHODS])
    pending, spare = rnd.choice([None, "", version()]), rnd.choice([None, "", version()])
    component = record_rules.RecordedComponent(
        "B7",
        kind,
        rnd.choice(["Tern-2", "Reed-40", ""]),
        method,
        "holm/holm-a/1/3",
        pending,
        spare,
        tuple(rnd.sample(["5.4", "6.0", "6.1"], rnd.randint(0, 2))),
        rnd.choice([None, pending, spare]),
        rnd.choice(["", version()]),
    )
    images = [
        record_rules.RecordedImage(
            rnd.choice([kind, kind, "bios"]), rnd.choice([("Tern-2",), ("Tern-4", "Reed-40")]), version()
        )
        for _ in range(rnd.randint(0, 3))
    ]
    bundle = None
    if rnd.random() < 0.7:
        stored, near = rnd.random() < 0.8, rnd.choice(["", "blade 6.0"])
        lifecycle = rnd.choice(["current", "withdrawn", "superseded"])
        bundle = record_rules.RecordedBundle(
            "blade", "6.1", "a" * 64, images, stored, rnd.random() < 0.8, lifecycle, near
        )
    asked = rnd.choice(["", "", version()])
    staged = record_rules.staging(component, bundle, asked, rnd.choice(["", "", *BANKS]))
    activated = record_rules.activating(component, bundle, asked)
    return [staged, activated, record_rules.failing(component, bundle, asked)]


@question("trust-entries", 40)
def _trust(rnd: Random) -> Any:
    def day() -> date | None:
        return rnd.choice([None, date(2026, 11, 24), TODAY, date(2026, 11, 26)])

    removed = rnd.choice([None, None, datetime(2026, 10, 1, tzinfo=UTC)])
    entry = TrustEntry("office", "sshsig", ("bundles",), "ed25519", "f", namespace=rnd.choice(["", "file"]),
                       valid_from=day(), valid_until=day(), removed_at=removed, removed_reason="lost")  # fmt: skip
    return [entry, entry.status_on(TODAY), [entry.namespace_for(purpose) for purpose in PURPOSES]]
