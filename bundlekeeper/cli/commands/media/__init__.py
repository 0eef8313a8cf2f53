"""The media commands, one module each.

As in the folder above: parse, call a job, hand what it returns to the screen, exit.
"""

from __future__ import annotations

import typer

from bundlekeeper.cli.commands.media import list_sets, pack, receive, write

app = typer.Typer(help="Sets of volumes: pack, write, receive, list.", rich_markup_mode=None)

app.command("pack")(pack.pack)
app.command("write")(write.write)
app.command("receive")(receive.receive)
app.command("list")(list_sets.show)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="media")
