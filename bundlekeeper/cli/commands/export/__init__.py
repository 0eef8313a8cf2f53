"""The export commands, one module each.

As in the folder above: parse, call a job, hand what it returns to the screen, exit.
"""

from __future__ import annotations

import typer

from bundlekeeper.cli.commands.export import csv_tables

app = typer.Typer(help="What is known, for spreadsheets and other programs.", rich_markup_mode=None)

app.add_typer(csv_tables.app, name="csv")


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="export")
