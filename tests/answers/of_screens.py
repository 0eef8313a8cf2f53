"""Questions of what people see: text, JSON, CSV and pictures of answers, run-books, pages, JUnit, tables, bars."""

from __future__ import annotations

import io
import json
import os
from collections.abc import Callable
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import replace
from datetime import timedelta
from operator import itemgetter
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

import bundlekeeper
from bundlekeeper.cli.screen import output, tables
from bundlekeeper.cli.screen.answers import gaps as gaps_screen
from bundlekeeper.cli.screen.answers import route as route_screen
from bundlekeeper.cli.screen.answers import routes as routes_screen
from bundlekeeper.cli.screen.answers import where as where_screen
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.errors import KeeperError
from bundlekeeper.findings import CODES, Level, finding
from bundlekeeper.formats import escape
from bundlekeeper.jobs.planning import gaps, plan_file, report, route, routes
from bundlekeeper.jobs.planning.inputs import InputFiles, Inputs
from bundlekeeper.jobs.planning.report import NoRunbook, RunbookWanted
from bundlekeeper.jobs.planning.route import Options, PlannedRoute
from bundlekeeper.jobs.planning.site_page import site_component
from bundlekeeper.jobs.recording.where import WhereFound, WhereTimes
from bundlekeeper.ledger.ask import where as asks
from bundlekeeper.ledger.ask.types import Selector
from bundlekeeper.ledger.event.chain import Head
from bundlekeeper.model.route.document import read_document
from bundlekeeper.model.verify_result import Status, VerifiedRow, VerifyResult
from bundlekeeper.reports import junit, qr, receipt_page, site_page
from bundlekeeper.reports.pictures import gantt
from bundlekeeper.store.signatures.voucher import Ruling
from tests.answers.of_ledger import learned, ledger
from tests.answers.of_media import changed
from tests.answers.plain import plain, text, told
from tests.answers.registry import question
from tests.answers.worlds import Asked, disorder, orderly
from tests.kits.ledger_history import DAY0
from tests.kits.planning_kit import NOW, PROVEN
from tests.kits.route_commands import PLAN

_ODD = ("holm-a", "a b", "\x1b[31mred", "weiß\n", "\u202ex", "y" * 70, "", "ok", "error", "-")


class Screen(io.TextIOWrapper):
    """A stream in memory that may say that it is a terminal."""

    def __init__(self, width: int) -> None:
        """`width` 0 is no terminal."""
        super().__init__(io.BytesIO(), "utf-8", "surrogateescape", "")
        self._width = width

    def isatty(self) -> bool:
        """Whether it is one."""
        return self._width > 0

    def written(self) -> str:
        """All that was written."""
        self.flush()
        assert isinstance(self.buffer, io.BytesIO)
        return self.buffer.getvalue().decode("utf-8", "surrogateescape")


def shown(put: Callable[[], Any], width: int = 0) -> list[Any]:
    """What is printed on stdout and on stderr, and what is returned or raised; on a terminal of that width, if any."""
    out, err = Screen(width), Screen(0)
    about = {**({"COLUMNS": str(width)} if width else {}), "LINES": "40", "TERM": "xterm-256color"}
    with patch.dict(os.environ, about, clear=True), redirect_stdout(out), redirect_stderr(err):
        result = told(put)
    return [_as_written(out.written()), _as_written(err.written()), result]


def _as_written(printed: str) -> Any:
    """JSON as its value, text as its lines, so that a difference is reported line by line."""
    printed = printed.replace(bundlekeeper.__version__, "VERSION")
    return json.loads(printed) if printed.startswith("{") else printed.split("\n")


def _given(rnd: Random, asked: Asked) -> Inputs:
    head = rnd.choice([None, Head("ef" * 16, 7, "cd" * 32)])
    ruling = rnd.choice([Ruling(), Ruling("good", (), False, "good, by office", "office", "SHA256:x")])
    findings = rnd.choice([(), (finding("expired", "manifest", "since 2026-11-01", "ask for a newer one"),)])
    origin = rnd.choice(["the store's ledger", "office.toml"])
    return Inputs(asked.manifest, "ab" * 32, asked.inventory, origin, asked.holdings, ruling, findings, head, asked.now)


def _with(given: Inputs, job: Any, ask: Callable[[Any], Any]) -> Any:
    """What a job answers that is given these inputs."""
    with patch.object(job, "read_inputs", lambda *_, **__: given):
        return ask(SimpleNamespace(now=lambda: NOW, is_there=False))


def _options(rnd: Random) -> Options:
    return Options(rnd.choice([None, None, 120, 600, 2000]), rnd.choice([1, 1, 2]))


@question("gaps-on-the-screen", 12)
def _gaps(rnd: Random) -> Any:
    asked = rnd.choice([disorder, orderly])(rnd)
    given, domain = _given(rnd, asked), rnd.choice([None, "holm-a", "holm-x"])
    form = rnd.choice([OutputForm.TEXT, OutputForm.JSON])
    xml = None if form is OutputForm.JSON else rnd.choice([None, "-"])

    def put(whole: bool) -> int:
        found = _with(
            given,
            gaps,
            lambda session: gaps.find_gaps(session, domain, asked.release, InputFiles(inventory="office.toml")),
        )
        return gaps_screen.show(found, {"to": asked.release}, every=domain is None, junit=xml, form=form, whole=whole)

    if form is OutputForm.JSON:
        return shown(lambda: put(False))
    return [shown(lambda: put(False)), shown(lambda: put(False), 80), shown(lambda: put(True))]


@question("routes-on-the-screen", 30)
def _route(rnd: Random) -> Any:
    asked = orderly(rnd)
    given, form, options = (
        _given(rnd, asked),
        rnd.choice([OutputForm.TEXT, OutputForm.TEXT, OutputForm.JSON]),
        _options(rnd),
    )

    words = {"to": asked.release, "window": options.window_minutes}

    def one(whole: bool) -> Any:
        found = _with(
            given, route, lambda session: route.find_route(session, "holm-a", asked.release, options, InputFiles())
        )
        route_screen.show(found, words, out=None, force=False, form=form, whole=whole)
        return [found.planned is None, plain(found.none)]

    names, site = rnd.choice([((), ""), ((), "holm"), (("holm-a", "holm-a", "x"), ""), (("holm-a",), ""), ((), "y")])

    def all_(whole: bool) -> None:
        found = _with(
            given,
            routes,
            lambda session: routes.find_routes(session, names, site, asked.release, options, InputFiles()),
        )
        if form is OutputForm.JSON:
            routes_screen.show_json(found)
        else:
            routes_screen.show_text(found, names or ("--all",), words, whole=whole)

    if form is OutputForm.JSON:
        return [shown(lambda: one(False)), shown(lambda: all_(False))]
    short = [shown(lambda: one(False), 80), shown(lambda: all_(False), 80)]
    return [*short, shown(lambda: one(True)), shown(lambda: all_(True))]


@question("plans-on-the-screen", 30)
def _plans(rnd: Random) -> Any:
    asked = orderly(rnd)
    given, form, options = _given(rnd, asked), rnd.choice([OutputForm.TEXT, OutputForm.JSON]), _options(rnd)
    with TemporaryDirectory() as folder, chdir(folder):  # its name is as long wherever it is
        file = Path("kept.plan")
        made = told(
            lambda: _with(
                given,
                route,
                lambda session: route.find_route(session, "holm-a", asked.release, options, InputFiles()).text,
            )
        )
        as_hand = PLAN.replace("6.1.0", rnd.choice(["6.1.0", "6.0.1"]))
        text_ = made if isinstance(made, str) and rnd.random() < 0.7 else as_hand
        if rnd.random() < 0.2:
            text_ = text_.replace('"servers"', rnd.choice(['"blade"', '"servants"']), 1)
        file.write_text(text_)
        later = rnd.choice([given, given, replace(given, inventory=asked.changed(rnd).inventory)])
        domain, release = rnd.choice([None, None, "holm-a", "holm-b"]), rnd.choice(["", "", "6.1"])
        window, per_cluster = rnd.choice([None, None, "4h"]), rnd.choice([1, 1, 2])
        wanted = RunbookWanted(domain, release, str(file), window, per_cluster)

        def check() -> None:
            found = _with(
                later,
                plan_file,
                lambda session: plan_file.check_plan(session, str(file), InputFiles()),
            )
            route_screen.show_check(found, form=form)

        def book() -> Any:
            found = _with(later, report, lambda session: report.runbook_page(session, wanted, InputFiles(), plain=True))
            return None if isinstance(found, NoRunbook) else [found.page.split("\n"), found.findings, found.about]

        return text([shown(check), told(book)]).replace(bundlekeeper.__version__, "VERSION")


@question("run-books", 10)
def _runbooks(rnd: Random) -> Any:
    asked = orderly(rnd)
    given = _given(rnd, asked)
    wanted = RunbookWanted(
        "holm-a", asked.release, None, rnd.choice([None, None, "4h", "30", "0", "x"]), rnd.choice([1, 2])
    )
    html = rnd.random() < 0.3

    def book() -> Any:
        found = _with(given, report, lambda session: report.runbook_page(session, wanted, InputFiles(), plain=not html))
        return (
            plain(found.none) if isinstance(found, NoRunbook) else [found.page.split("\n"), found.findings, found.about]
        )

    return text(told(book)).replace(bundlekeeper.__version__, "VERSION")


@question("options-of-routes", 30)
def _route_options(rnd: Random) -> Any:
    window = rnd.choice(
        [None, "4h", "90m", "240", "0", "-1", "x", "1d", "400d", " 90 ", "30s", "527040", "527041", "1h30m"]
    )
    return [window, told(lambda: route.options_of(window, rnd.choice([1, 2, 100_000, 100_001])))]


@question("where-on-the-screen", 20)
def _where(rnd: Random) -> Any:
    with ledger() as book:
        learned(rnd, book)
        on = rnd.choice([None, "2026-01-04"])
        doubts = rnd.choice([[], [finding("clock-doubtful", "ledger", "2 events are later", "set the clock")]])
        when = None if on is None else (DAY0 + timedelta(days=3)).date()
        times = WhereTimes(on, rnd.choice([None, "2026-01-12"]))
        answers = asks.where(book, Selector(gone=rnd.random() < 0.5), on=when)
        keys = tuple(rnd.sample(list(asks.GROUP_KEYS), 2))
        sorts = [
            WhereFound(times, doubts, answers=answers),
            WhereFound(times, doubts, keys=keys, groups=asks.summary(book, keys, on=when)),
            WhereFound(times, doubts, components=["B1"], entries=asks.history(book, "B1")),
            WhereFound(times, doubts, possible=False),
        ]
        found = rnd.choice([sorts[0], *sorts])
        form = rnd.choice(list(OutputForm))
        words = where_screen.WhereWords(rnd.choice([None, "holm-a"]), {"site": ["holm"]}, rnd.random() < 0.5)
        width = rnd.choice([0, 0, 60, 80, 130])
        page = _site_page(answers)
        components = [site_page.text(page).split("\n"), plain(page.totals), page.domains]
        said = text([form.value, width, shown(lambda: where_screen.show(found, form, words), width), components])
        return said.replace(book.head().ledger, "BOOK").replace(book.head().digest, "HEAD")


def _site_page(answers: list[Any]) -> site_page.SitePage:
    components = tuple(site_component(answer, answer if answer.component == "B1" else None) for answer in answers)
    counts = {"components": len(components), "running_not_known": 1, "staged": 2, "read_otherwise": 0, "withdrawn": 3}
    return site_page.SitePage("Site holm", "as of now", components, counts, (("made", "today"), ("head", "x" * 90)))


def _row(rnd: Random) -> VerifiedRow:
    name = rnd.choice(["a.bin", "b.bin", "c\x07.bin"])
    family, version = rnd.choice([("blade", "6.1"), ("", "")])
    place = rnd.choice(["", name, f"{family}/{version}/{name}"])
    verified = rnd.choice([None, PROVEN])
    return VerifiedRow(name, family, version, place, rnd.choice(list(Status)), 10, 11, "a" * 64, "b" * 64, verified,
                      rnd.choice(["", "it is other"]), seconds=rnd.choice([None, 0.0, 1.2345, 60.0]))  # fmt: skip


@question("junit", 60)
def _junit(rnd: Random) -> Any:
    rows = [_row(rnd) for _ in range(rnd.randint(0, 6))]
    found = [
        finding(
            rnd.choice([row.status.value for row in rows if row.status.value in CODES] or ["expired"]),
            row.place or row.name,
            "so it is",
            rnd.choice(["", "do"]),
            rnd.choice([None, None, Level.NOTE]),
        )
        for row in rows
        if rnd.random() < 0.5
    ] + [finding(rnd.choice(list(CODES)), rnd.choice(_ODD), "said\x00") for _ in range(rnd.randint(0, 2))]
    counts: dict[str, Any] = {
        name: rnd.randint(0, 9)
        for name in (
            "verified",
            "trusted",
            "skipped",
            "unverified",
            "signatures_good",
            "signatures_bad",
            "signatures_unseen",
            "files_read",
            "bytes_read",
        )
    }
    result = VerifyResult(found, rows, **counts, stopped=rnd.random() < 0.5, out_of_time=rnd.random() < 0.5)
    return junit.document(result, name=rnd.choice(_ODD), at=NOW)


@question("tables", 80)
def _tables(rnd: Random) -> Any:
    count = rnd.randint(1, 5)
    columns: list[tables.Column[list[str]]] = [
        tables.Column(rnd.choice(["name", "how many", "x"]), itemgetter(i), rnd.random() < 0.3, rnd.random() < 0.4)
        for i in range(count)
    ]
    rows = [[rnd.choice([*_ODD, "z" * rnd.randint(1, 30)]) for _ in range(count)] for _ in range(rnd.randint(0, 4))]
    caption = rnd.choice(["", "all of them"])
    cells = [[escape.visible(cell) for cell in row] for row in rows]
    titles = [column.title for column in columns]
    exact = sum(max(map(len, column)) + 2 for column in zip(titles, *cells, strict=True)) - 2
    widths = [0, exact, exact + 1, max(2, exact - 1), rnd.choice([20, 40, 80])]
    return [[width, shown(lambda: tables.write(columns, rows, caption), width)[0]] for width in widths]


@question("findings-on-the-screen", 60)
def _findings(rnd: Random) -> Any:
    rows = []
    for _ in range(rnd.randint(0, 7)):
        code, where = (
            rnd.choice(["expired", "own-copy", "altered", "unverified"]),
            rnd.choice(["", "", f"m.toml:{rnd.randint(1, 4)}:2"]),
        )
        row = finding(
            "expired",
            rnd.choice(_ODD),
            rnd.choice(["one", "two", "\x1b[1m"]),
            rnd.choice(["", "do"]),
            rnd.choice(list(Level)),
        )
        rows.append(replace(row, code=code, where=where, excerpt=rnd.choice(["", "x = 1\n^"]) if where else ""))
    width = rnd.choice([0, 60])
    error = KeeperError("it is so", hint=rnd.choice(["", "do"]), where=rnd.choice(["", "m.toml"]), problems=rows)
    return [
        shown(lambda: output.findings_text(rows), width),
        shown(lambda: output.folded_text(rows), width),
        shown(lambda: output.error_text(error), width),
        shown(lambda: output.error_envelope(error, rnd.choice(["gaps", "media-plan", "zeal"]))),
        [[escape.visible(word), escape.counted(n, "component")] for n, word in enumerate(_ODD)],
    ]


@question("bars", 60)
def _bars(rnd: Random) -> Any:
    minutes = rnd.choice([0, 1, 5, 60, 333, 10_000])
    bars = []
    for label in rnd.sample(_ODD, rnd.randint(1, 4)):
        spans = []
        for _ in range(rnd.randint(1, 4)):
            start = rnd.randint(0, minutes)
            spans.append(gantt.Span(start, rnd.randint(start, minutes), rnd.choice(["", "the server", "path"])))
        bars.append(gantt.GanttBar(label, tuple(spans)))
    width = rnd.choice([80, 80, 60, 120])
    return [minutes, list(gantt.lines(bars, minutes, width)), list(gantt.missing(bars[0].label, width))]


@question("bars-of-windows", 15)
def _window_bars(rnd: Random) -> Any:
    asked = orderly(rnd)
    found = told(lambda: None)
    way = route.route_of(_given(rnd, asked), asked.fleet, "holm-a", asked.release, Options())
    if isinstance(way, PlannedRoute):
        times = way.timeline
        found = [[plain(way.bars(w)), list(gantt.lines(way.bars(w), w.minutes)), times.again(w)] for w in times.windows]
    return found


@question("route-documents", 60)
def _documents(rnd: Random) -> Any:
    asked = orderly(rnd)
    given, options = _given(rnd, asked), _options(rnd)

    def made() -> str:
        found = _with(
            given, route, lambda session: route.find_route(session, "holm-a", asked.release, options, InputFiles())
        )
        return str(found.text)

    text_ = told(made)
    if not isinstance(text_, str):
        return text_
    data = changed(rnd, text_.encode())

    def read() -> Any:
        found = read_document(data, "r.json")
        if found is None:
            return None
        return [found.window_minutes, found.per_cluster, found.plan.domain, found.plan.release, found.plan.steps]

    return told(read)


@question("codes", 4)
def _codes(rnd: Random) -> Any:
    data = "0123456789ABCDEFGHJKMNPQRSTVWXYZ" * rnd.choice([1, 8, 20, 60])
    page = receipt_page.page("Receipt", (("site", "skerry <b>"), ("files", "9")), ("  1: AAAAA",), data[:40])
    return [told(qr.terminal, data), page]
