"""The benchmarks' frame, run small: that every row measures something, and that kept runs can be compared."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench import __main__ as command
from tests.bench.figures import page
from tests.bench.frame import BENCHES, Bench, Judged, Measure, Row, Skipped, Target, in_turns, ratio_at_least, run
from tests.bench.growth import GROWS, UNITS, grown
from tests.bench.table import added, as_json, as_text, compare
from tests.bench.world import World

ROOT = Path(__file__).parents[2]


def _bench(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, "-m", "tests.bench", *map(str, arguments)]
    return subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_every_row_measures_something(tmp_path: Path) -> None:
    """Small and once: the figures mean nothing, but every row has one or says why not; the folder is empty again."""
    data = tmp_path / "data"
    data.mkdir()
    kept = tmp_path / "kept.json"
    done = _bench(
        "--dir", data, "--json", kept, "--rounds=1", "--big=4194304", "--many=20", "--starts=1", "--parts=500",
        "--every=10",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    document = json.loads(kept.read_text("utf-8"))
    assert {row["name"] for row in document["rows"]} == {each.name for each in BENCHES}
    for row in document["rows"]:
        assert "FAILED" not in (row["skipped"] or ""), row
        assert row["skipped"] or (row["ours"] > 0 and row["theirs"] > 0 and row["ratio"] > 0)
        assert row["name"] in done.stdout
    assert document["machine"]["cores"] in done.stdout
    assert list(data.iterdir()) == []
    both = _bench("compare", kept, kept)
    assert (both.returncode, both.stderr) == (0, "")
    assert "differs" not in both.stdout


@pytest.mark.parametrize(
    "arguments", [["--only", "no such row"], ["--rounds", "0"], ["compare"], ["compare", "none.json", "none.json"]]
)
def test_a_wrong_command_line(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(arguments) == 2
    assert capsys.readouterr().err


def test_list_measures_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["--list", "--only", "many files"]) == 0
    assert capsys.readouterr().out.count("\n") == sum("many files" in each.name for each in BENCHES)


def _made(target: Target | None, *pairs: tuple[float, float], name: str = "made", unit: str = "s") -> Row:
    left = list(pairs)
    made = Bench(name, "what", "against", unit, target, lambda _: left.pop(0))
    return run([made], World(Path()), len(pairs))[0]


@pytest.mark.parametrize(
    ("target", "figure", "met"),
    [
        (None, 0.5, None),
        (ratio_at_least(0.5), 0.5, True),
        (ratio_at_least(0.6), 0.5, False),
        (Target(Judged.OURS, False, 2.0), 2.0, True),
        (Target(Judged.ABOVE, False, -3.0), -2.0, False),
    ],
)
def test_the_figure_that_a_target_speaks_of(target: Target | None, figure: float, met: bool | None) -> None:
    """Ratios 1/2, 2/4 and 30/10: the medians are 2, 4 and 0.5, whatever the spoilt round."""
    row = _made(target, (1, 2), (2, 4), (30, 10))
    assert (row.ours, row.theirs, row.ratio, row.lowest, row.highest) == (2, 4, 0.5, 0.5, 3.0)
    assert (row.figure, row.met) == (figure, met)


def test_a_skipped_row_says_why() -> None:
    def skipped(_: World) -> tuple[float, float]:
        raise Skipped("no such program")

    (row,) = run([Bench("made", "what", "against", "s", ratio_at_least(1), skipped)], World(Path()), 3)
    assert (row.figure, row.met) == (None, None)
    assert "skipped: no such program" in as_text({"cores": "2"}, 3, [row])


def test_a_row_that_fails_does_not_hide_the_others() -> None:
    def failing(_: World) -> tuple[float, float]:
        raise RuntimeError("exit status 70")

    benches = [Bench("one", "what", "against", "s", None, failing), Bench("two", "", "", "s", None, lambda _: (1, 2))]
    one, two = run(benches, World(Path()), 1)
    assert (one.skipped, one.figure, two.figure) == ("FAILED: exit status 70", None, 0.5)


def test_turns_change_and_the_pair_does_not() -> None:
    order: list[str] = []

    def mark(name: str, value: float) -> Measure:
        def measure(_: World) -> float:
            order.append(name)
            return value

        return measure

    for number in range(2):
        assert in_turns(World(Path(), round=number), mark("ours", 1.0), mark("theirs", 2.0)) == (1.0, 2.0)
    assert order == ["ours", "theirs", "theirs", "ours"]


def _kept(tmp_path: Path, name: str, machine: str, *rows: Row) -> str:
    path = tmp_path / name
    path.write_text(json.dumps(as_json({"processor": machine}, 2, list(rows))))
    return str(path)


def test_two_kept_runs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A row that got worse is flagged, and the exit status is 1; the machines are named where they differ."""
    first = _kept(tmp_path, "a", "A", _made(None, (1, 1), (1.1, 1)), _made(None, (1, 1), name="gone"))
    second = _kept(tmp_path, "b", "B", _made(None, (2, 1), (2.2, 1)), _made(None, (1, 1), name="new"))
    assert command.main(["compare", first, second]) == 1
    lines = {line.split("  ")[0]: line for line in capsys.readouterr().out.splitlines()}
    assert lines["processor: A | B"]
    assert lines["made"].endswith("2.000           differs beyond both spreads, WORSE")
    assert lines["gone"].endswith("only in the first")
    assert lines["new"].endswith("only in the second")
    assert "1 rows got worse by more than 10%: made" in lines
    assert command.main(["compare", second, first]) == 0  # the other way round it got better
    assert command.main(["compare", first, second, "--allowed", "1.5"]) == 0
    assert command.main(["compare", first, first]) == 0
    assert "processor:  A" in capsys.readouterr().out.split("\n\n")[-3]


def test_of_a_rate_the_lower_one_is_worse() -> None:
    fast, slow = (_made(None, (rate, 1), unit="bytes/s") for rate in (1, 0.5))
    runs = [as_json({"processor": "A"}, 1, [row]) for row in (fast, slow)]
    assert compare(runs[0], runs[1]).worse == ("made",)
    assert compare(runs[1], runs[0]).worse == ()


def test_every_row_that_grows_is_a_row_and_grows_with_a_size_of_the_world() -> None:
    assert GROWS.keys() <= {each.name for each in BENCHES}
    assert set(GROWS.values()) == UNITS.keys()
    assert UNITS.keys() <= World.__dataclass_fields__.keys()


def test_growth_is_three_sizes_up_to_what_was_asked_for_or_from_what_is_ordinary(tmp_path: Path) -> None:
    """A rate is kept as seconds; a row that fails at one size is asked no larger one and hides no other."""

    def failing(world: World) -> tuple[float, float]:
        if world.servers > 5:
            raise RuntimeError("too many")
        return 0.5, 1

    benches = [
        Bench("one file", "what", "", "bytes/s", None, lambda _: (100.0, 1)),
        Bench("gaps", "", "", "s", None, failing),
        Bench("no row that grows", "", "", "s", None, failing),
    ]
    rate, gaps = grown(benches, World(tmp_path, big_bytes=1000), GROWS)
    assert (rate.sizes, rate.seconds, rate.of) == ((10, 100, 1000), (0.1, 1.0, 10.0), "bytes")
    assert (gaps.sizes, gaps.seconds, gaps.why) == ((5, 50, 500), (0.5,), "50 servers: too many")
    assert list(tmp_path.iterdir()) == []


def test_rows_run_apart_are_one_run_only_on_one_machine() -> None:
    first = as_json({"cores": "2"}, 1, [_made(None, (1, 1)), _made(None, (1, 1), name="other")])
    second = as_json({"cores": "2"}, 1, [_made(None, (3, 1)), _made(None, (2, 1), name="new")])
    both = added({**first, "growth": [{"name": "g"}]}, second)
    assert [(row["name"], row["ours"]) for row in both["rows"]] == [("made", 3), ("other", 1), ("new", 2)]
    assert both["growth"] == [{"name": "g"}]
    with pytest.raises(ValueError, match="another machine and other rounds"):
        added(first, as_json({"cores": "4"}, 2, []))


def test_the_page_of_figures_keeps_what_a_person_wrote_of_growth() -> None:
    machine = {"cores": "2", "memory": "8 GB", "file system": "ext4 on /dev/x", "python": "CPython 3.11"}
    slow = _made(Target(Judged.OURS, False, 1.0), (2, 4))
    none = Row(slow.bench, skipped="no such program")
    growth = {"name": "made", "of": "bundles", "sizes": [30, 300, 3000], "seconds": [0.1, 0.5]}
    document = {**as_json(machine, 3, [slow, none]), "growth": [growth]}
    first = page(document, "# no page of ours")
    assert "2 cores and 8 GB of\nmemory, ext4, CPython" in first
    assert first.count("made: what ÷ against") == 1
    assert "| 0.500 | 2.000 s | 4.000 s | ours ≤ 1.000 s, not met |" in first
    assert "| made | 30 · 300 bundles | 100.0 ms · 500.0 ms | 5 | – |" in first
    written = first.replace("| 5 | – |", "| 5 | at 300: each is read |")
    assert "| at 300: each is read |" in page(document, written)
    assert "stops being" not in page(as_json(machine, 3, [slow]), written)
