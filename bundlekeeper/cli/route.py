"""`bundlekeeper route`: the ordered way from what runs today to a release, or why there is none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from bundlekeeper.cli import output
from bundlekeeper.cli.common import JsonOption, StoreOption, now, store_root
from bundlekeeper.cli.route_inputs import InventoryOption, ManifestOption, ToOption, read_inputs
from bundlekeeper.cli.signed import SignatureOption, tell
from bundlekeeper.errors import InputError
from bundlekeeper.model.findings import Finding, exit_status, finding, is_ok

if TYPE_CHECKING:
    from bundlekeeper.planning.back import WayBack
    from bundlekeeper.planning.route_types import NoRoute, Route, Step
    from bundlekeeper.planning.windows import Timeline, Window

CAUTION = "The hardware maker's release notes, local change control and the site's safety rules stand above this plan."


def route(
    domain: Annotated[str, typer.Argument(metavar="DOMAIN", help="The domain.")],
    to: ToOption = "",
    manifest: ManifestOption = None,
    inventory: InventoryOption = None,
    window: Annotated[
        str | None, typer.Option("--window", metavar="SPAN", help="No window longer than this: 4h, 90m.")
    ] = None,
    per_cluster: Annotated[
        int, typer.Option("--per-cluster", min=1, metavar="N", help="Servers of one cluster at a time.")
    ] = 1,
    out: Annotated[str | None, typer.Option("-o", "--output", metavar="FILE", help="Write the JSON here.")] = None,
    signature: SignatureOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """The allowed way with the fewest windows, then server restarts, then minutes, then bytes.

    Every state between obeys every rule of the manifest; what was not known is told. It plans, and changes nothing.
    """
    from bundlekeeper.model.durations import seconds
    from bundlekeeper.planning.back import ways_back
    from bundlekeeper.planning.fleet import Fleet
    from bundlekeeper.planning.route import route as find
    from bundlekeeper.planning.route_types import NoRoute
    from bundlekeeper.planning.windows import schedule

    if not to:
        raise InputError("name a release", hint="bundlekeeper route DOMAIN --to RELEASE")
    length = None if window is None else seconds(window) // 60
    given = read_inputs(store_root(store), manifest, inventory, signature)
    fleet, held = Fleet(given.manifest, given.inventory), given.holdings
    found = find(fleet, domain, to, held, now())
    head = {"domain": domain, "release": to, **given.about()}
    if isinstance(found, NoRoute):
        findings = (*given.findings, *found.findings)
        _tell(findings, {**head, "route": None, "no_route": _plain(found)}, out, json=json)
        if not json and out != "-":
            tell(given.signature)
            output.findings_text(given.findings)
            _print_none(found)
        return exit_status(findings)
    times, back = schedule(fleet, found, length, per_cluster), ways_back(fleet, found, held)
    findings = (*given.findings, *found.findings, *times.findings, *lost(back))
    document = {**head, "route": _plain(found), "no_route": None, "timeline": _plain(times)}
    _tell(findings, {**document, "ways_back": [_plain(b) for b in back]}, out, json=json)
    if not json and out != "-":
        tell(given.signature)
        _print(found, times, back, findings)
    return exit_status(findings)


def lost(back: tuple[WayBack, ...]) -> list[Finding]:
    """Findings of steps without a way back that is known."""
    rows = []
    for way in back:
        if not way.exists or not way.known:
            code = "no-way-back" if way.known else "not-checked"
            rows.append(finding(code, f"step {way.step}: {way.kind} {way.model}", way.how, "weigh it before the step"))
    return rows


def _plain(value: Any) -> dict[str, Any]:  # noqa: ANN401  (any of planning's values)
    from dataclasses import asdict

    rows = asdict(value)
    rows.pop("findings", None)
    return rows


def _tell(findings: tuple[Finding, ...], data: dict[str, Any], out: str | None, *, json: bool) -> None:
    if json:
        output.envelope("route", findings, data)
    if out is not None:
        from json import dumps

        from bundlekeeper.cli.writing import write_new

        document = {"schema": "bundlekeeper.route/1", "ok": is_ok(findings)}
        document |= {"findings": [f.as_json() for f in findings], **data}
        write_new(out, dumps(document, indent=2) + "\n")


def _print(found: Route, times: Timeline, back: tuple[WayBack, ...], findings: tuple[Finding, ...]) -> None:
    windows, restarts, minutes, size = found.cost
    output.line(f"{found.domain} to {found.release}: {windows} steps, {restarts} server restarts")
    if not found.steps:
        output.line("it runs that release already")
    for step in found.steps:
        _print_step(step)
        for way in back:
            if way.step == step.number:
                _print_back(way)
        for row in times.windows:
            if row.step == step.number:
                _print_window(row)
    output.findings_text(findings)
    output.line(f"{minutes} minutes of writing one after the other, {size:,} bytes written")
    output.line(
        f"{len(times.windows)} windows, {times.makespan} minutes in all; no order of these takes less than "
        f"{times.lower_bound}"
    )
    output.line(CAUTION)


def _print_back(way: WayBack) -> None:
    output.line(f"  back: {way.kind} {way.model}: {way.how}; until {way.until}")
    if way.destroyed_by:
        output.line(f"    destroyed by {way.destroyed_by}")


def _print_window(window: Window) -> None:
    apart = f"; never together with {', '.join(window.apart_from)}" if window.apart_from else ""
    output.line(f"  window {window.number}: {window.minutes} minutes{apart}")
    width = 40
    for action in window.actions:
        left = action.start * width // max(1, window.minutes)
        right = max(left + 1, -(-(action.start + action.minutes) * width // max(1, window.minutes)))
        mark = "=" if action.down == "nothing" else "#"
        bar = (" " * left + mark * (right - left)).ljust(width)[:width]
        assumed = "~" if action.assumed else " "
        down = "" if action.down == "nothing" else f", down: {action.down}"
        output.line(
            f"    |{bar}| {action.start:>4} +{assumed}{action.minutes:<3} {action.verb} {action.subject}"
            f"{f' {action.version}' if action.version else ''}{down}"
        )
    output.line("    = nothing is down   # something is down   ~ minutes assumed")


def _print_step(step: Step) -> None:
    assumed = ", some of them assumed" if step.assumed else ""
    output.line(f"step {step.number}: {step.what} to {step.name} ({step.minutes} minutes{assumed})")
    for change in step.changes:
        output.line(f"  {change.name}: {change.family} {change.version} ({change.file})")
        for part in change.parts:
            output.line(f"    {len(part.keys)} {part.kind} {part.model}: {part.start or '?'} -> {part.end}")
    for quote in step.quotes:
        output.line(f"  rule: {quote.says}{f' ({quote.source})' if quote.source else ''}")


def _print_none(found: NoRoute) -> None:
    output.line(f"{found.domain} to {found.release}: no allowed way was found")
    output.findings_text(found.findings)
    if found.blocking:
        fewest = "the fewest that block it" if found.exact else "some that block it, maybe not the fewest"
        output.line(f"{len(found.blocking)} named above: {fewest}, even where no other rule is held")
    output.line(f"nearest release that can be reached: {found.nearest or 'none'}")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("route")(route)
