"""The steps of the tour as a person sees them, each run as on the command line."""

from __future__ import annotations

import contextlib
import shlex
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Protocol

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm
from bundlekeeper.errors import KeeperError
from bundlekeeper.formats.escape import counted


class ShownStep(Protocol):
    """One command of a tour."""

    @property
    def title(self) -> str:
        """What is done."""

    @property
    def command(self) -> tuple[str, ...]:
        """Its words."""

    @property
    def expected(self) -> int:
        """The exit status that it must have."""

    @property
    def look(self) -> str:
        """What to look at."""


@contextlib.contextmanager
def aside_from_json(form: OutputForm) -> Iterator[None]:
    """Under --json the steps' own text goes to stderr, so that stdout stays one JSON object."""
    if form is not OutputForm.JSON:
        yield
        return
    with contextlib.redirect_stdout(sys.stderr):
        yield


def begin(place: Path) -> None:
    """Print where the tour is."""
    output.line(f"A tour of bundlekeeper, in {place.name}. The platform and its files are invented.")


def run(number: int, step: ShownStep) -> int:
    """Run one step and show it; returns its exit status."""
    from bundlekeeper.cli.screen.run import dispatch

    output.line()
    output.line(f"── {number}. {step.title}")
    output.line(f"$ bundlekeeper {shlex.join(step.command)}")
    sys.stdout.flush()
    try:
        status = dispatch(list(step.command))
    except KeeperError as error:
        output.error_text(error)
        status = error.exit_code
    sys.stdout.flush()
    output.line(f"exit status {status}" + ("" if status == step.expected else f", but {step.expected} was expected"))
    output.line(f"→ {step.look}")
    return status


def end(place: Path, rows: Sequence[tuple[ShownStep, int]], *, form: OutputForm) -> None:
    """How many steps were as expected, or all of them as JSON."""
    wrong = [step.title for step, status in rows if status != step.expected]
    if form is OutputForm.JSON:
        steps = [{"command": list(s.command), "status": status, "expected": s.expected} for s, status in rows]
        output.envelope("tour", [], {"folder": str(place), "steps": steps}, ok=not wrong)
    else:
        output.line()
        output.line(
            f"{counted(len(rows), 'step')}, {len(rows) - len(wrong)} as expected. "
            f"Everything is in {place.name}; delete it when done."
        )
        output.line("next: bundlekeeper manifest draft FILE... with your own files")
