"""The store commands, one module each.

As in the folder above: parse, call a job, hand what it returns to the screen, exit.
"""

from __future__ import annotations

import typer

from bundlekeeper.cli.commands.store import add, list_bundles, remove

app = typer.Typer(help="Bundles into the store, verified; what is in it; one out of it.", rich_markup_mode=None)

app.command("add")(add.add)
app.command("list")(list_bundles.show)
app.command("remove")(remove.remove)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="store")
