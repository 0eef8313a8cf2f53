"""`bundlekeeper media`: a set of volumes out, proven on the medium, received, and the answer back."""

from __future__ import annotations

import typer

from bundlekeeper.cli.commands import media_list, media_receipt, media_receive, media_write
from bundlekeeper.jobs import plan_media

app = typer.Typer(help="Sets of volumes: plan, write, receive, and the receipt that comes back.", rich_markup_mode=None)

app.command("plan")(plan_media.plan)
app.command("write")(media_write.write)
app.command("receive")(media_receive.receive)
app.command("receipt")(media_receipt.receipt)
app.command("list")(media_list.show)


def register(root: typer.Typer) -> None:
    """Add the command group."""
    root.add_typer(app, name="media")
