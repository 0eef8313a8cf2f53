"""What it costs to add a word of the trade: each addition is made in a copy of the tree, in few files, and works there.

The script that uses the new word runs in a process of its own, because the copy is another package of the same name.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from textwrap import dedent

ROOT = Path(__file__).parents[2]

#: Files of the package -> the text that is replaced, once, and what stands there afterwards.
Edits = Mapping[str, tuple[str, str]]

NEW_KEY: Edits = {
    "model/inventory/types.py": (
        '    cluster: str | None = field(default=None, metadata=_fact("text"))\n',
        '    cluster: str | None = field(default=None, metadata=_fact("text"))\n'
        '    berth: str | None = field(default=None, metadata=_fact("text"))\n',
    )
}
UNDECLARED: Edits = {
    "model/inventory/types.py": (
        '    cluster: str | None = field(default=None, metadata=_fact("text"))\n',
        '    cluster: str | None = field(default=None, metadata=_fact("text"))\n    berth: str | None = None\n',
    )
}
RECORDED: Edits = {
    "model/inventory/types.py": (
        '    cluster: str | None = field(default=None, metadata=_fact("text"))\n',
        '    cluster: str | None = field(default=None, metadata=_fact("text"))\n'
        '    berth: str | None = field(default=None, metadata=_fact("text", recorded=True))\n',
    )
}
NEW_KIND: Edits = {
    "model/vocabulary.py": (
        '    "bios": KindFacts(',
        '    "tide-gauge": KindFacts(\n'
        '        "boot-file", "operator", "pointer", "path", 35, "the gauge is silent while it restarts", pair=True,\n'
        "        in_chassis=True,\n"
        "    ),\n"
        '    "bios": KindFacts(',
    )
}
NEW_FILE_SYSTEM: Edits = {
    "model/media/capacity.py": (
        '    "ext4": FileSystem(',
        '    "slate": FileSystem(\n'
        '        "Slate", lambda size: (size // 2, 512, 1024), 4_000_000, Carried.STICK, "half of it", 10_000_000\n'
        "    ),\n"
        '    "ext4": FileSystem(',
    )
}


def _run(target: Path, edits: Edits, script: str) -> subprocess.CompletedProcess[str]:
    """Make the edits in a copy of the package and run the script against it."""
    copy = target / "bundlekeeper"
    shutil.copytree(ROOT / "bundlekeeper", copy, ignore=shutil.ignore_patterns("__pycache__"))
    for name, (old, new) in edits.items():
        text = (copy / name).read_text("utf-8")
        assert text.count(old) == 1, f"{name} has not this text once: {old}"
        (copy / name).write_text(text.replace(old, new), "utf-8")
    first = f"import bundlekeeper\nassert bundlekeeper.__file__.startswith({str(copy)!r})\n"
    # the tests' own worlds are from here, the package is the copy
    environment = {
        **os.environ, "PYTHONPATH": os.pathsep.join((str(target), str(ROOT))), "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip
    return subprocess.run(
        [sys.executable, "-c", first + dedent(script)], cwd=target, env=environment, capture_output=True, text=True,
        check=False,
    )  # fmt: skip


def _works(target: Path, edits: Edits, files: int, script: str) -> None:
    assert len(edits) <= files
    done = _run(target, edits, script)
    assert done.returncode == 0, done.stderr


USE_KEY = """
    from dataclasses import replace
    from datetime import UTC, datetime
    from pathlib import Path

    from bundlekeeper.ledger.ask.as_inventory import believed, load, plan_load
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.model.inventory.read import InventorySource, read_inventory
    from bundlekeeper.model.inventory.write_json import to_json
    from bundlekeeper.model.inventory.write_toml import to_toml

    def sheet(day, berth):
        head = f"# read_at = 2026-03-0{day}\\n# zone = UTC\\nsite,domain,kind,serial,active,berth\\n"
        data = f"{head}holm,holm-a,bios,B7,6.0,{berth}\\n".encode()
        return read_inventory([InventorySource("holm.csv", data, "csv")])

    with Ledger.open(Path("ledger.sqlite"), write=True) as ledger:
        reported = []
        for day, berth in ((1, "north"), (2, "south")):
            plan = plan_load(ledger, sheet(day, berth), reported_by="list", source="holm.csv")
            load(ledger, plan, datetime(2026, 3, 9, tzinfo=UTC))
            reported = [change.message() for change in plan.changes]
        assert reported == ["bios B7 at holm/holm-a/?/?: berth was north, is south"], reported
        found = believed(ledger).inventory
    (component,) = found.components
    assert component.berth == "south"
    for form, text in (("json", to_json(found)), ("toml", to_toml(found))):
        assert "berth" in text
        assert read_inventory([InventorySource("i", text.encode(), form)]) == found
"""


def test_a_new_key_of_a_component_is_declared_once(tmp_path: Path) -> None:
    """It is read, compared, kept by the ledger and written back."""
    _works(tmp_path, NEW_KEY, 8, USE_KEY)


def test_a_key_is_never_half_declared(tmp_path: Path) -> None:
    """A key without a declaration, or one that claims events where none reports it, stops the program at once."""
    done = _run(tmp_path / "undeclared", UNDECLARED, "import bundlekeeper.model.inventory.types")
    assert done.returncode == 1
    assert "Component.berth does not declare how it is read, compared and recorded" in done.stderr
    done = _run(tmp_path / "recorded", RECORDED, "import bundlekeeper.ledger.ask.as_inventory")
    assert done.returncode == 1
    assert "ValueError" in done.stderr


USE_KIND = """
    from bundlekeeper.model.inventory.read import InventorySource, read_inventory
    from bundlekeeper.planning.fleet.domains import Fleet
    from bundlekeeper.planning.gaps.find import gaps
    from bundlekeeper.planning.route.find import Route, route
    from bundlekeeper.planning.windows.make import schedule
    from tests.kits.planning_kit import NOW, bundle, stored_all, image, manifest

    rules = manifest(
        *(bundle("infrastructure", v, image("tide-gauge", "TG-1", v)) for v in ("6.0", "6.1")),
        families=("infrastructure",),
        release=({"name": "6.1", "infrastructure": "6.1"},),
        jump=({"what": {"family": "infrastructure"}, "to": ">=6", "from": ">=6", "source": "table 1"},),
    )
    rows = "".join(
        f"holm,holm-a,{chassis},tide-gauge,TG-1,G{n},6.0,6.0,{half},gauge,yes\\n"
        for n, (chassis, half) in enumerate((("1", "leading"), ("", "following")))
    )
    keys = "site,domain,chassis,kind,model,serial,active,boot_files,half,pair,healthy"
    data = f"# read_at = 2026-11-20\\n# zone = UTC\\n{keys}\\n{rows}".encode()
    parts = read_inventory([InventorySource("holm.csv", data, "csv")])
    assert parts.components[0].kind == "tide-gauge" and not parts.own_kinds

    report = gaps("holm-a", "6.1", rules, parts, stored_all(rules), NOW)
    messages = [gap.finding.message for gap in report.gaps]
    assert any("whether its halves are in one chassis" in line for line in messages), messages

    fleet = Fleet(rules, parts)
    found = route(fleet, "holm-a", "6.1", stored_all(rules), NOW)
    assert isinstance(found, Route), found
    assert [step.what for step in found.steps] == ["infrastructure"]
    facts = fleet.manifest_index.facts("tide-gauge", "TG-1")
    assert (facts.method, facts.back, facts.effect) == ("boot-file", "pointer", "the gauge is silent while it restarts")
    actions = [a for w in schedule(fleet, found, 240).windows for a in w.actions if a.kind == "tide-gauge"]
    assert {(a.verb, a.down) for a in actions if a.down != "nothing"} == {("activate", "path")}
    assert sum(a.minutes for a in actions if a.key == "G0" and a.verb in ("stage", "activate")) == 35
"""


def test_a_new_kind_is_declared_once(tmp_path: Path) -> None:
    """It is loaded, and gaps, route and windows know its facts."""
    _works(tmp_path, NEW_KIND, 2, USE_KIND)


USE_FILE_SYSTEM = """
    from bundlekeeper.errors import InputError
    from bundlekeeper.model.media.capacity import parse_supply

    kind = parse_supply("16GB:slate").kind
    assert (kind.label, kind.usable, kind.largest_file) == ("16GB:slate", 8_000_000_000, 10_000_000)
    assert kind.cost(1) == 512 + 1024 and kind.fits(kind.usable) == 10_000_000
    strictest = parse_supply("16GB").kind
    assert (strictest.usable, strictest.largest_file) == (8_000_000_000, 10_000_000) and "Slate" in strictest.basis
    for wrong in ("1MB:slate", "dvd:slate", "16GB:slat"):
        try:
            parse_supply(wrong)
        except InputError as e:
            assert "slate" in e.message or "a disc takes" in e.message
        else:
            raise AssertionError(wrong)
"""


def test_a_new_file_system_is_declared_once(tmp_path: Path) -> None:
    """Its capacity is planned, it counts among the strictest, and it is named where it cannot be."""
    _works(tmp_path, NEW_FILE_SYSTEM, 2, USE_FILE_SYSTEM)


#: In the package; the README's line comes to each of these two as well.
NEW_COLUMN: Edits = {
    "cli/screen/answers/where.py": (
        '    Column("active", lambda answer: _version(answer.active)),\n',
        '    Column("parent", lambda answer: answer.parent or "?", below=True),\n'
        '    Column("active", lambda answer: _version(answer.active)),\n',
    )
}
_EMPTY = """    elif not answers:
        output.line(_nothing(found))
"""
NEW_FORM: Edits = {
    "cli/screen/forms.py": ('    JSON = "json"\n', '    JSON = "json"\n    NAMES = "names"\n'),
    "cli/commands/where.py": (
        "    form = form_of(json=json, picture=picture)\n",
        "    form = form_of(json=json, picture=picture, names=gone)\n",
    ),
    "cli/screen/answers/where.py": (
        _EMPTY,
        "    elif form is OutputForm.NAMES:\n"
        f"        output.block(chr(10).join(answer.component for answer in answers))\n{_EMPTY}",
    ),
}
USE_WHERE = """
    import contextlib, io, os
    from pathlib import Path
    from bundlekeeper.cli.screen.run import run

    Path("a.csv").write_text("site,domain,kind,serial,parent,active\\nholm,holm-a,bios,B1,S1,6.0\\n")
    os.environ["BUNDLEKEEPER_STORE"] = "store"
    os.environ.pop("COLUMNS", None)  # in a pipe cells have tabs between them, where nobody says how wide it is
    assert run(["inventory", "load", "a.csv", "--read-at", "2026-11-01", "--zone", "UTC"]) == 0
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert run(["where", {option}]) == 0
    print(repr(out.getvalue()))
    assert {expected}, out.getvalue()
"""


def test_a_new_column_is_declared_once(tmp_path: Path) -> None:
    """It is in the table, between its neighbours."""
    titles = "out.getvalue().split(chr(10))[1].split(chr(9))"
    expected = f"['component', 'parent', 'active'] == {titles}[:3] and '\\tS1\\t6.0' in out.getvalue()"
    _works(tmp_path, NEW_COLUMN, 2, USE_WHERE.replace("{option}", "'holm'").replace("{expected}", expected))


def test_a_new_form_of_an_answer_costs_three_files(tmp_path: Path) -> None:
    """Its name, the option that asks for it, and how an answer is written in it."""
    expected = "out.getvalue() == 'B1' + chr(10)"
    script = USE_WHERE.replace("{option}", "'--gone'").replace("{expected}", expected)
    _works(tmp_path, NEW_FORM, 3, script)
