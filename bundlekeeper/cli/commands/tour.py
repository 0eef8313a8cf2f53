"""`bundlekeeper tour`: the whole job on the invented platform, each step as a command of the user's."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption
from bundlekeeper.cli.screen.forms import form_of
from bundlekeeper.errors import EXIT_FOUND


def tour(
    folder: Annotated[
        Path | None, typer.Argument(metavar="[DIR]", help="A new folder for the tour (default: bundlekeeper-tour).")
    ] = None,
    json: JsonOption = False,
) -> int:
    """Do the whole job on a small invented platform, in a folder of its own, with what to look at."""
    from bundlekeeper.cli.screen.answers import tour as screen
    from bundlekeeper.demo import tour as demo

    place = demo.fresh(folder)
    with screen.aside_from_json(form_of(json=json)):
        screen.begin(place)
        steps = demo.tour(place, screen.run)
    screen.end(place, steps, form=form_of(json=json))
    return EXIT_FOUND if any(status != step.expected for step, status in steps) else 0


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("tour")(tour)
