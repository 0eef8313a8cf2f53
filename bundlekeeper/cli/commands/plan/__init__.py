"""The plan commands: kept, checked, followed, recorded, handed over, closed.

As in the folder above: parse, call a job, hand what it returns to the screen, exit.
"""

from __future__ import annotations

import typer

from bundlekeeper.cli.commands.plan import follow, hand_over, kept, record

app = typer.Typer(
    help="Plans: a route that was written to a file or kept, or a plan made by hand.", rich_markup_mode=None
)


@app.callback()
def _group() -> None:
    """Plans: a route that was written to a file or kept, or a plan made by hand."""


def register(root: typer.Typer) -> None:
    """Add the command group."""
    for module in (kept, follow, record, hand_over):
        module.register(app)
    root.add_typer(app, name="plan")
