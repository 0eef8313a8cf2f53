"""The benchmarks' frame, run small: that every row measures something, and that kept runs can be compared."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench import __main__ as command
from tests.bench.frame import BENCHES, Bench, Judged, Measure, Row, Skipped, Target, in_turns, ratio_at_least, run
from tests.bench.table import as_json, as_text, compare
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
