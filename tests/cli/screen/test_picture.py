"""A chassis drawn in the terminal: each mark stands where its fact is, and nowhere else."""

from __future__ import annotations

import io

from bundlekeeper.cli.screen.picture import Cell, write


def test_each_mark_stands_for_its_own_fact() -> None:
    out = io.StringIO()
    place = "holm/holm-a/1/2"
    write(
        [
            Cell(place, "1", "2", "bios", "6.0.1", "", False),
            Cell(place, "1", "2", "disk", "6.0.1", "6.1.0", False),
            Cell(place, "1", "2", "io-module", "5.4.2", "", True),
            Cell(place, "1", "2", "network-adapter", "5.4.2", "6.1.0", True),
        ],
        out,
    )
    lines = [line.strip("| ") for line in out.getvalue().splitlines()[1:5]]
    assert [line.rpartition(" ")[2] for line in lines] == ["6.0.1", "*", "!", "*!"]
