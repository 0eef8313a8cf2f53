"""The media commands, one module each.

As in the folder above: parse, call a job, hand what it returns to the screen, exit.
"""

from __future__ import annotations

import typer

from bundlekeeper.cli.commands.media import list_sets, plan, receipt, receive, write

app = typer.Typer(help="Sets of volumes: plan, write, receive, and the receipt that comes back.", rich_markup_mode=None)

app.command("plan")(plan.plan)
app.command("write")(write.write)
app.command("receive")(receive.receive)
app.command("receipt")(receipt.receipt)
app.command("list")(list_sets.show)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="media")
