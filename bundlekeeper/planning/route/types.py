"""A route and its steps as values; no answer is a route that was not searched for.

Rules: plain values, comparable, without references to what they were made from; every rule is quoted with its source; a
number of minutes or bytes that no manifest gives is marked assumed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import some
from bundlekeeper.frozen import dataclass

_NOT_REACHED = "the release is not reached for it"


@dataclass(frozen=True, slots=True)
class Quote:
    """One rule, with where it comes from; no source where no rule is about it.

    `sort` is `jump`, `compatible`, `practice`, `model` (one that is not listed), `fact` (one not known) or `unstated`.
    """

    sort: str
    source: str
    message: str


@dataclass(frozen=True, slots=True)
class ComponentChange:
    """Like components that take one image. `minutes` and `size_bytes` are for one of them."""

    keys: tuple[str, ...]
    kind: str
    model: str
    start: str
    end: str
    minutes: int
    assumed_minutes: bool
    size_bytes: int
    assumed_size: bool
    down: bool


@dataclass(frozen=True, slots=True)
class StepChange:
    """What the infrastructure, or one class of servers, goes through in a step; `components` in the order of the
    work."""

    name: str
    family: str
    servers: tuple[str, ...]  # their keys; none for the infrastructure
    version: str
    file: str
    sha256: str
    components: tuple[ComponentChange, ...]
    restarts: int


@dataclass(frozen=True, slots=True)
class ImageRemoval:
    """An image file that must go from a component's partition before a step brings an image there: `key` is the
    component's, `version` the file's, `size_bytes` what that gives back."""

    key: str
    kind: str
    partition: str
    version: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Step:
    """One change of the infrastructure (`what` is its family), or of servers to the release `name`; `removals` come
    first in it."""

    number: int
    what: str
    name: str
    changes: tuple[StepChange, ...]
    quotes: tuple[Quote, ...]
    removals: tuple[ImageRemoval, ...] = ()

    @property
    def is_down(self) -> bool:
        """True when some component goes down."""
        return any(p.down for change in self.changes for p in change.components)

    @property
    def restarts(self) -> int:
        """How many servers restart."""
        return sum(change.restarts for change in self.changes)

    @property
    def minutes(self) -> int:
        """Minutes of all components, one after the other."""
        return sum(p.minutes * len(p.keys) for change in self.changes for p in change.components)

    @property
    def assumed(self) -> bool:
        """True when some of the minutes are assumed."""
        return any(p.assumed_minutes for change in self.changes for p in change.components)

    @property
    def size_bytes(self) -> int:
        """Bytes of all images that are written."""
        return sum(p.size_bytes * len(p.keys) for change in self.changes for p in change.components)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A server for which the release is not reached: for a reason that somebody gives, or, where that is empty, for
    lack of facts. `server` is its key, `name` for people."""

    server: str
    name: str
    reason: str = ""
    lacks: tuple[str, ...] = ()


def alike(left: Iterable[LeftOut]) -> dict[tuple[str, ...], list[str]]:
    """The names of servers by the facts that they lack."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for server in left:
        if server.lacks:
            groups.setdefault(server.lacks, []).append(server.name)
    return groups


def left_out_findings(left: Iterable[LeftOut]) -> Iterator[Finding]:
    """What is to be reported of servers that are left out, like ones as one where a fact is not known."""
    rows = tuple(left)
    for server in rows:
        if not server.lacks:
            message = f"left out, so {_NOT_REACHED}: {server.reason}"
            yield finding("falls-short", f"server {server.name}", message, level=Level.WARNING)
    for facts, names in alike(rows).items():
        verb = "are" if len(facts) > 1 else "is"
        message = f"not planned, as {some(facts)} {verb} not known, so {_NOT_REACHED}"
        hint = "load an inventory that says it, and plan again"
        yield finding("not-checked", f"server{'s' if len(names) > 1 else ''} {some(names)}", message, hint)


@dataclass(frozen=True, slots=True)
class StaysAhead:
    """A component that runs something newer than the release has, which its kind may, and which no step changes."""

    kind: str
    key: str
    version: str


@dataclass(frozen=True, slots=True)
class Route:
    """A route. `cost` is windows, server restarts, minutes one after the other, and bytes; `left_out` are the servers
    that it leaves as they are.

    `not_reached` are those servers, by key, and the servers and the components of the infrastructure for which the
    release has no image though it should: each with what it is, `server` or its kind. `reached` is how many components
    run it in the end, those of servers that are left out not counted, and of those that stay `ahead`.
    """

    domain: str
    release: str
    steps: tuple[Step, ...]
    cost: tuple[int, int, int, int]
    findings: tuple[Finding, ...]
    left_out: tuple[LeftOut, ...] = ()
    not_reached: tuple[tuple[str, str], ...] = ()
    reached: int = 0
    ahead: tuple[StaysAhead, ...] = ()

    @property
    def lowered(self) -> frozenset[str]:
        """The keys of the components that go down in some step."""
        changes = (component for step in self.steps for change in step.changes for component in change.components)
        return frozenset(key for component in changes if component.down for key in component.keys)


@dataclass(frozen=True, slots=True)
class OtherReason:
    """What blocks a route without any rule: a bundle that is not there. `code` is the finding's, as `gaps` has it."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class StopPassedOver:
    """A bundle that would be a stop on a route, were it not withdrawn (`reason`), or were it in the store."""

    bundle: str
    withdrawn: bool
    reason: str
    in_store: bool

    @property
    def finding(self) -> tuple[str, str, str]:
        """The finding's code, its message and its hint."""
        message = f"{self.bundle} would be a stop on a route, and is "
        if not self.withdrawn:
            return "not-in-store", f"{message}not in the store", "bundlekeeper store add MANIFEST --from DIR"
        message += f"withdrawn{f': {self.reason}' if self.reason else ''}"
        message += "" if self.in_store else "; it is not in the store"
        return "withdrawn", message, "ask the publisher for another version between"


@dataclass(frozen=True, slots=True)
class NoRoute:
    """No route. `blocking` are rules that block it even alone; the fewest where `exact`, else some that were found.

    `reasons` need no rule; `nearest` is a release that can be reached, empty for none; `exhausted` is False where the
    search gave up before it had looked at everything, so that a route may exist. `passed_over` are the stops of a route
    that there would be, had nothing been withdrawn. `left_out` is as of a route; `refused_out` says that there would be
    a route with the servers that somebody leaves out.
    """

    domain: str
    release: str
    blocking: tuple[Quote, ...]
    exact: bool
    reasons: tuple[OtherReason, ...]
    nearest: str
    exhausted: bool
    passed_over: tuple[StopPassedOver, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    refused_out: bool = False

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What blocks the route, and what was left out of it, as findings: first the stops that it lacks, which the
        rest follows from."""
        codes = {"compatible": "mix-refused", "fact": "not-checked", "model": "model-unlisted"}
        rows = [
            finding(code, self.domain, message, hint, Level.ERROR)
            for code, message, hint in (stop.finding for stop in self.passed_over)
        ]
        rows += [
            finding(
                codes.get(q.sort, "jump-refused"),
                self.domain,
                f"{q.message} ({q.source or 'not known'})",
                level=Level.ERROR if q.sort == "fact" else None,
            )
            for q in self.blocking
        ]
        rows += [finding(reason.code, self.domain, reason.message) for reason in self.reasons]
        if self.refused_out:
            names = some([server.name for server in self.left_out if server.reason])
            message = f"leaving out {names} is refused: with it there is a route"
            rows.append(finding("mix-refused", self.domain, message, "plan it too, or choose a release that allows it"))
        if not self.exhausted:
            message = "the search gave up before it had looked at every route: one may exist"
            rows.append(finding("not-checked", self.domain, message, "bring servers to fewer different versions first"))
        rows = rows or [finding("jump-refused", self.domain, "no bundle of the manifest leads there")]
        return (*rows, *left_out_findings(self.left_out))
