"""`bundlekeeper accept`: accept a finding, with a reason and an end."""

from __future__ import annotations

from typing import Annotated

import typer

from bundlekeeper.cli.options import JsonOption, ReportedByOption, StoreOption, caller, store_root
from bundlekeeper.cli.screen.forms import form_of

CodeArgument = Annotated[str, typer.Argument(metavar="CODE", help="The finding's code: the word after warning:.")]
SubjectArgument = Annotated[
    str, typer.Argument(metavar="SUBJECT", help="What the finding names, whole; or a site or a domain: holm-a/*.")
]
ReasonOption = Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why it is accepted.")]
UntilOption = Annotated[
    str | None, typer.Option("--until", metavar="DATE", help="The last day on which it counts: a year at most.")
]


def accept(
    code: CodeArgument,
    subject: SubjectArgument,
    reason: ReasonOption,
    until: UntilOption = None,
    reported_by: ReportedByOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> int:
    """Accept a finding until a day, with a reason: it is a note then, which says so and is counted.

    What says that bytes, a signature or a record are wrong cannot be accepted, and nothing is accepted everywhere.
    """
    from bundlekeeper.cli.screen.answers.attention import accept as screen
    from bundlekeeper.jobs.attention.accept import accept as job
    from bundlekeeper.jobs.session import Session

    with Session(store_root(store), caller()) as session:
        done = job(session, code, subject, reason=reason, until=until, reported_by=reported_by)
    screen.show(done, form_of(json=json))
    return 0


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("accept")(accept)
