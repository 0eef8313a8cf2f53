"""A route as a file: what it was made from, so that it can be checked later whether that is still true, and its steps.

Rules: what a plan was made from is named piece by piece (each bundle, release and rule of the manifest by a digest,
each component with all that was known of it), so that a difference can be named and not only noticed; the moment of a
reading is no difference, what was read is; the SHA-256 of a document is that of its file's bytes. RFC 8259.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.formats import json_read
from bundlekeeper.formats.text_file import shown
from bundlekeeper.model.inventory.types import EVERYWHERE, Inventory, server_key
from bundlekeeper.model.route.dated_windows import MAX_MINUTES, MAX_WINDOWS, DatedWindow, dated
from bundlekeeper.model.route.hand_plan import MAX_STEPS, Plan, PlanStep
from bundlekeeper.model.vocabulary import INFRASTRUCTURE, SERVERS

if TYPE_CHECKING:
    from bundlekeeper.model.inventory.types import Component, Policy
    from bundlekeeper.model.manifest.types import Manifest

SCHEMA = "bundlekeeper.route/1"
CAUTION = "The hardware maker's release notes, local change control and the site's safety rules come before this plan."
#: The longest window in minutes, and the most servers of one cluster and pieces of work at a time, that can be asked
#: for.
MAX_WINDOW, MAX_PER_CLUSTER, MAX_PARALLEL = 366 * 24 * 60, 100_000, 100_000
_DIGITS = 16  # of the digest of one piece of a manifest: enough to notice that it is another


def digest_of(value: object) -> str:
    """The SHA-256 of a value's canonical JSON: keys sorted, no blanks, ASCII."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def manifest_facts(manifest: Manifest, sha256: str) -> dict[str, Any]:
    """What a plan records of its manifest; `sha256` is that of its bytes."""
    values = ((name, v.model_dump(mode="json") if hasattr(v, "model_dump") else v) for name, v in _pieces(manifest))
    pieces = _by_name((name, digest_of(value)[:_DIGITS]) for name, value in values)
    return {
        "platform": manifest.platform,
        "sequence": manifest.sequence,
        "issued": str(manifest.issued),
        "expires": str(manifest.expires) if manifest.expires else None,
        "sha256": sha256,
        "pieces": pieces,
    }


def _pieces(manifest: Manifest) -> Iterator[tuple[str, Any]]:
    yield "families", list(manifest.families)
    yield "versions", manifest.versions
    for bundle in manifest.bundle:
        yield f"bundle {bundle.family} {bundle.version} {bundle.file}", bundle
    for kind, rule in manifest.kind.items():
        yield f"kind {kind}", rule
    for release in manifest.release:
        yield f"release {release.name}", release
    for jump in manifest.jump:
        yield f"jump to {jump.to} from {jump.from_} ({jump.source})", jump
    for compatible in manifest.compatible:
        yield f"compatible ({compatible.source})", compatible


def inventory_facts(inventory: Inventory, domain: str, by_policy: Callable[[Component], bool | None]) -> dict[str, Any]:
    """What a plan records of a domain: each component's facts, its partitions, its policies with the other servers
    that each touches, and the domains that share no window with it. `by_policy` is whether a policy drives a
    component, None where it is not known."""
    components = inventory.of(domain)
    keys = {component.key for component in components}
    named = {component.policy for component in components if component.policy}
    policies = [policy for policy in inventory.policies if policy.name in named and _reaches(policy.scope, domain)]
    found: dict[str, Any] = {
        "components": {component.key: _known(component) for component in components},
        "partitions": {
            f"{partition.component} {partition.name}": _known(partition)
            for partition in inventory.partitions
            if partition.component in keys
        },
        "policies": _by_name((policy.name, _known(policy)) for policy in policies),
        "elsewhere": _by_name((policy.name, _elsewhere(inventory, policy, domain, by_policy)) for policy in policies),
        "separate_windows": sorted(
            sorted(separate_windows.domains)
            for separate_windows in inventory.separate_windows
            if domain in separate_windows.domains
        ),
    }
    return {"sha256": digest_of(found), **found}


def _by_name(rows: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """The rows by name; a second one of the same name gets a number, so that none hides another."""
    found: dict[str, Any] = {}
    for name, row in rows:
        key, number = name, 2
        while key in found:
            key, number = f"{name} ({number})", number + 1
        found[key] = row
    return found


def _elsewhere(
    inventory: Inventory, policy: Policy, domain: str, by_policy: Callable[[Component], bool | None]
) -> dict[str, Any]:
    """The servers of other domains that a policy touches, or may touch because theirs is not known."""
    servers: set[str] = set()
    maybe: set[str] = set()
    for component in inventory.components:
        if component.domain in ("", domain) or not _reaches(policy.scope, component.domain):
            continue
        if component.policy == policy.name:
            servers.add(f"{component.domain} {server_key(component)}")
        elif component.policy is None and by_policy(component) is not False:
            maybe.add(component.domain)
    return {"servers": len(servers), "of": digest_of(sorted(servers))[:_DIGITS], "perhaps in": sorted(maybe)}


def _reaches(scope: tuple[str, ...] | None, domain: str) -> bool:
    return scope is None or EVERYWHERE in scope or domain in scope


def _known(row: Any) -> dict[str, Any]:  # noqa: ANN401  (one of the inventory's tables)
    found: dict[str, Any] = {}
    for field in fields(row):
        value = getattr(row, field.name)
        if value is not None:
            found[field.name] = list(value) if isinstance(value, tuple) else value
    return found


def differences(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[Finding]:
    """Every difference between a document's inputs, `then`, and those of now; both as the functions above give them."""
    return [*_of_manifests(then["manifest"], now["manifest"]), *_of_domains(then["inventory"], now["inventory"])]


def _changed(subject: str, message: str) -> Finding:
    return finding("input-changed", subject, message, "make the plan again: bundlekeeper route")


def _of_manifests(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[Finding]:
    if then["sha256"] == now["sha256"]:
        return
    subject = "manifest"
    words = {"issued": "date of issue", "expires": "expiry date"}
    for key in ("platform", "sequence", "issued", "expires"):
        if then.get(key) != now[key]:
            is_, was = (value if value is not None else "not stated" for value in (now[key], then.get(key)))
            yield _changed(subject, f"its {words.get(key, key)} is {is_}, was {was}")
    changed = then["pieces"].items() ^ now["pieces"].items()
    yield from _of_tables(then["pieces"], now["pieces"], subject)
    if not changed:
        yield _changed(subject, "its bytes are different, but its bundles, releases and rules are the same")


def _of_tables(then: Mapping[str, Any], now: Mapping[str, Any], subject: str) -> Iterable[Finding]:
    for key in [*then, *(k for k in now if k not in then)]:
        if key not in now:
            yield _changed(subject, f"{key} is gone")
        elif key not in then:
            yield _changed(subject, f"{key} is new")
        elif then[key] != now[key]:
            yield _changed(subject, f"{key} was changed")


def _of_domains(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[Finding]:
    found = [*_of_facts(then, now)]
    if not found and then.get("sha256") != now["sha256"]:
        found.append(_changed("inventory", "the digest is not that of the facts in the document: it was edited"))
    return found


def _of_facts(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[Finding]:
    for table in ("components", "partitions", "policies"):
        old, new = then[table], now[table]
        for key in [*old, *(k for k in new if k not in old)]:
            name = key if table == "components" else f"{table[:-1] if table == 'partitions' else 'policy'} {key}"
            if key not in new:
                yield _changed(name, "it is no longer there")
            elif key not in old:
                yield _changed(name, f"it is new{_runs(new[key])}")
            else:
                yield from _of_rows(name, old[key], new[key])
    for name in (key for key in now["elsewhere"] if key in then["policies"]):
        if then["elsewhere"].get(name) != now["elsewhere"][name]:
            yield _changed(f"policy {name}", "it now touches, or may touch, other servers outside of the domain")
    if then["separate_windows"] != now["separate_windows"]:
        yield _changed("separate_windows", "the domains that must not share a window with this one were changed")


def _runs(row: Mapping[str, Any]) -> str:
    return f", runs {row['active']}" if row.get("active") else ""


def _of_rows(name: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterable[Finding]:
    words = {"active": "it runs"}
    for key in [*old, *(k for k in new if k not in old)]:
        if old.get(key) != new.get(key):
            what = words.get(key, f"its {key} is")
            yield _changed(f"{new.get('kind', '')} {name}".strip(), f"{what} {_word(new, key)}, was {_word(old, key)}")


def _word(row: Mapping[str, Any], key: str) -> str:
    value = row.get(key)
    if value is None:
        return "not known"
    if value in ("", []):
        return "none"
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return json.dumps(value) if isinstance(value, dict) else str(value)


def to_text(document: Mapping[str, Any]) -> str:
    """The document as the text of its file."""
    return json.dumps(document, indent=1, ensure_ascii=True, allow_nan=False, default=str) + "\n"


class RouteDocument:
    """A document that was read: the plan in it, what it was made from, and how its windows were asked for."""

    def __init__(self, raw: Mapping[str, Any], name: str, sha256: str) -> None:
        """Raises InputError for the first thing that is not as this program writes it, with its JSON pointer."""
        self._name = name
        self.sha256 = sha256
        self.raw = raw
        inputs = self._get(raw, dict, "inputs")
        self.inputs: Mapping[str, Any] = inputs
        manifest, inventory = self._get(raw, dict, "inputs", "manifest"), self._get(raw, dict, "inputs", "inventory")
        for key in ("sha256", "pieces"):
            self._get(manifest, str if key == "sha256" else dict, key, at=("inputs", "manifest"))
        for key in ("components", "partitions", "policies", "elsewhere"):
            table = self._get(inventory, dict, key, at=("inputs", "inventory"))
            for row in table:
                self._get(table, dict, row, at=("inputs", "inventory", key))
        self._get(inventory, list, "separate_windows", at=("inputs", "inventory"))
        self.window_minutes = self._number(raw, "window_minutes", 0, MAX_WINDOW) or None
        self.per_cluster = self._number(raw, "per_cluster", 1, MAX_PER_CLUSTER)
        self.parallel = tuple(self._hands(n, row) for n, row in enumerate(self._get(raw, list, "options", "parallel")))
        rows = self._get(raw, list, "options", "windows")
        if len(rows) > MAX_WINDOWS:
            raise InputError(f"{len(rows)} windows; {MAX_WINDOWS} are the most that are read", where=name)
        self.windows = tuple(self._dated(n, row) for n, row in enumerate(rows))
        if raw.get("route") is None:
            raise InputError(
                "the document has no route: none was found", where=name, hint="make the plan again: bundlekeeper route"
            )
        steps = self._get(raw, list, "route", "steps")
        if len(steps) > MAX_STEPS:
            raise InputError(f"{len(steps)} steps; {MAX_STEPS} are the most that are read", where=name)
        made = tuple(self._step(step, ("route", "steps", at)) for at, step in enumerate(steps))
        domain, release = self._get(raw, str, "domain"), self._get(raw, str, "release")
        self.plan = Plan(name, domain, release, made, self._where, tuple(self._without(raw)))

    def _without(self, raw: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """The servers that somebody left out; those of which a fact is not known are found again."""
        rows = self._get(raw, list, "route", "left_out")
        for at, row in enumerate(rows):
            here = ("route", "left_out", at)
            server, reason = self._get(row, str, "server", at=here), self._get(row, str, "reason", at=here)
            if reason:
                yield server, reason

    def _where(self, path: tuple[str | int, ...]) -> tuple[str, str]:
        at = ("route", "steps", *path[1:2]) if path and path[0] == "step" else path
        return f"{self._name}#{json_read.pointer(at)}", ""

    def _get(self, raw: Any, kind: type, *path: str | int, at: tuple[str | int, ...] = ()) -> Any:  # noqa: ANN401
        value: Any = raw
        for number, key in enumerate(path):
            if isinstance(value, dict) and key in value:
                value = value[key]
                continue
            where = f"{self._name}#{json_read.pointer((*at, *path[: number + 1]))}"
            raise InputError(
                f"the route document has no {key}", where=where, hint="make the plan again: bundlekeeper route"
            )
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            where = f"{self._name}#{json_read.pointer((*at, *path))}"
            message = f"this is not a route document: {shown(value)} is here"
            raise InputError(message, where=where, hint="make the plan again: bundlekeeper route")
        return value

    def _number(self, raw: Mapping[str, Any], key: str, least: int, most: int) -> int:
        if key == "window_minutes" and isinstance(raw.get("options"), dict) and raw["options"].get(key) is None:
            return 0
        value: int = self._get(raw, int, "options", key)
        if not least <= value <= most:
            raise InputError(f"{key} cannot be {value}", where=self._where(("options", key))[0])
        return value

    def _hands(self, number: int, row: Any) -> tuple[str, int]:  # noqa: ANN401
        is_pair = isinstance(row, list) and len(row) == 2 and isinstance(row[0], str) and type(row[1]) is int
        if is_pair and 1 <= row[1] <= MAX_PARALLEL:
            return row[0], row[1]
        raise InputError(f"parallel cannot be {shown(row)}", where=self._where(("options", "parallel", number))[0])

    def _dated(self, number: int, row: object) -> DatedWindow:
        at = ("options", "windows", number)
        site, begins, zone, note = (self._get(row, str, key, at=at) for key in ("site", "begins", "zone", "note"))
        minutes = self._get(row, int, "minutes", at=at)
        try:
            moment = datetime.fromisoformat(begins)
            if not 1 <= minutes <= MAX_MINUTES or moment.tzinfo is None:
                raise ValueError
        except ValueError:
            raise InputError("this is no window with a time and a length", where=self._where(at)[0]) from None
        return dated(site, moment, minutes, zone, note)

    def _step(self, raw: object, at: tuple[str | int, ...]) -> PlanStep:
        name, what = self._get(raw, str, "name", at=at), self._get(raw, str, "what", at=at)
        if what not in (INFRASTRUCTURE, SERVERS):
            where = f"{self._name}#{json_read.pointer(at)}"
            raise InputError(
                f"a step cannot be of {shown(what)}", where=where, hint="make the plan again: bundlekeeper route"
            )
        digests: dict[tuple[str, str], None] = {}
        servers: list[str] = []
        kinds: dict[str, None] = {}
        keys: dict[str, None] = {}
        for n, change in enumerate(self._get(raw, list, "changes", at=at)):
            here = (*at, "changes", n)
            family, digest = self._get(change, str, "family", at=here), self._get(change, str, "sha256", at=here)
            digests[family, digest] = None
            rows = self._get(change, list, "servers", at=here)
            servers += [row for row in rows if isinstance(row, str)]
            components = self._get(change, list, "components", at=here)
            for m, component in enumerate(components):
                kinds[self._get(component, str, "kind", at=(*here, "components", m))] = None
                rows = self._get(component, list, "keys", at=(*here, "components", m))
                keys |= {row: None for row in rows if isinstance(row, str)}
        own = what == INFRASTRUCTURE
        only = tuple(kinds) if own else ()
        version, release = (name, "") if own else ("", name)
        return PlanStep(what, version, release, only, tuple(dict.fromkeys(servers)), tuple(digests), tuple(keys))


def read_document(data: bytes, name: str) -> RouteDocument | None:
    """Read a route document; None where `data` is JSON of something else, or no JSON at all.

    Raises InputError for a document that is not whole.
    """
    if not data.lstrip(b" \t\r\n").startswith(b"{"):
        return None
    raw = json_read.loads(data, name)
    if not isinstance(raw, dict) or "schema" not in raw:
        return None
    if raw["schema"] == SCHEMA and "routes" in raw:
        hint = "bundlekeeper route DOMAIN --to RELEASE --out FILE, for each domain"
        raise InputError("this is a timeline of several domains, not a plan of one domain", where=name, hint=hint)
    if raw["schema"] != SCHEMA:
        message = f"the schema is {shown(raw['schema'])}, not {SCHEMA}"
        raise InputError(message, where=name, hint="is this the right file?")
    return RouteDocument(raw, name, hashlib.sha256(data).hexdigest())
