"""A pytest plug-in: each test's lines are measured under its own name, in this process and in those it starts."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

import coverage
import pytest

#: Names the folder in which each process leaves what it measured.
FOLDER = "BUNDLEKEEPER_MEASURED"


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Measure this test under its own name."""
    measuring = coverage.Coverage.current()
    assert measuring is not None, "start it by tests.mutants.mapping"
    os.environ["BUNDLEKEEPER_TEST"] = item.nodeid
    measuring.switch_context(item.nodeid)
    yield
    measuring.switch_context("")
    del os.environ["BUNDLEKEEPER_TEST"]


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Keep how long each test took, and that it passed."""
    if report.when == "call" and report.passed and not os.environ.get("PYTEST_XDIST_WORKER"):
        with Path(os.environ[FOLDER], "seconds.jsonl").open("a", encoding="utf-8") as file:
            file.write(json.dumps([report.nodeid, round(report.duration, 3)]) + "\n")
