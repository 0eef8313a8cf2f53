"""The export commands, one module for each form.

As in the folder above: parse, call a job, hand what it returns to the screen, exit.
"""

from __future__ import annotations

import typer

from bundlekeeper.cli.commands.export import cyclonedx, metrics, tables

app = typer.Typer(help="What is known, for auditors, monitoring and spreadsheets.", rich_markup_mode=None)

app.add_typer(tables.csv_app, name="csv")
app.add_typer(tables.xlsx_app, name="xlsx")
app.command("cyclonedx")(cyclonedx.show)
app.command("metrics")(metrics.show)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="export")
