"""What the last work on components left open, in one wording for every command that reports it.

Rules: a component is in one finding of its record only, the gravest; nothing is decided here that the ledger did not
answer; an inventory says nothing about when something was staged, only when it was read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bundlekeeper.findings import Finding, finding

if TYPE_CHECKING:
    from bundlekeeper.ledger.ask.types import WhereAnswer


def of_record(answer: WhereAnswer) -> Finding | None:
    """What is open of what was recorded as activated; None where it is in order, or nothing was."""
    from bundlekeeper.ledger.ask.types import Agreement

    recorded = f"{answer.recorded.version if answer.recorded is not None else 'nothing'} was recorded as activated"
    staged = f", {answer.staged.version} is still staged" if answer.staged is not None and answer.staged.version else ""
    found = {
        Agreement.ACTIVATION_FAILED: (
            "activation-failed", f"its last activation failed; {runs(answer)} runs as far as is known{staged}",
        ),
        Agreement.NO_ANSWER: ("no-answer", f"it did not answer, and nothing was heard since; {runs(answer)} ran"),
        Agreement.NOT_READ_BACK: ("not-read-back", f"{recorded}, and was not read back"),
        Agreement.ONLY_RECORDED: ("not-read-back", f"{recorded}, and what runs was never read"),
        Agreement.DIFFERS: ("not-read-back", f"{recorded}, and {runs(answer)} was read since"),
    }.get(answer.agreement)  # fmt: skip
    if found is None:
        return None
    hint = f"read it and record what runs: bundlekeeper observe {answer.component} --active VERSION"
    return finding(found[0], called(answer), found[1], hint)


def called(answer: WhereAnswer) -> str:
    """The component by its place as `where` prints it, and its kind; by its identity where it has no place."""
    return f"{answer.place.path()} {answer.kind}" if answer.place is not None else answer.component


def runs(answer: WhereAnswer) -> str:
    """The version that runs, in words where it is not known."""
    return answer.active.version if answer.active is not None else "an unknown version"
