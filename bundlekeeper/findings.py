"""Findings: what a check found, in a closed list of codes.

Rules: a code outside `CODES` (or a lint code registered in `model.lint`) does not exist; a finding's level is the
code's own unless the place that makes it knows better; ok means no error and no warning; a finding never hides
another; texts are data and are escaped where they are printed, not here.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Any

from bundlekeeper.errors import EXIT_FOUND, EXIT_OK, EXIT_UNFINISHED
from bundlekeeper.frozen import dataclass


class Level(StrEnum):
    """How bad: an error or a warning makes the exit status 1, a note never does."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Code:
    """One finding code: its usual level and what it means, for the docs."""

    level: Level
    meaning: str


_E, _W = Level.ERROR, Level.WARNING

#: The closed list; an addition is a numbered decision in DEVELOPERS.md.
CODES: dict[str, Code] = {
    "altered": Code(_E, "the size is right, the bytes are not those of the manifest"),
    "truncated": Code(_E, "shorter than the manifest says"),
    "extended": Code(_E, "longer than the manifest says"),
    "missing": Code(_E, "named by the manifest, but not there"),
    "extra": Code(_W, "there, but not named by the manifest"),
    "misnamed": Code(_W, "the right bytes under another name"),
    "unverified": Code(_W, "there, but its bytes were not verified"),
    "self-digest": Code(_W, "the digest was computed from the file that it is meant to verify"),
    "stale-verification": Code(_W, "verified longer ago than the store allows"),
    "unreadable": Code(_E, "could not be read to the end; nothing is known about its bytes"),
    "bad-volume": Code(_E, "a volume of a medium is malformed, or was not finished"),
    "damaged": Code(
        _E,
        "an entry of the store database or of the ledger is damaged; no file is judged by it "
        "(a warning if it was rebuilt)",
    ),
    "writable-by-others": Code(_E, "somebody else may write what the store relies on"),
    "withdrawn": Code(_W, "withdrawn by its publisher"),
    "quarantined": Code(_W, "wrong bytes are kept in quarantine (a note if a good copy is in the store)"),
    "expired": Code(_W, "the manifest is past its expiry date"),
    "expires-soon": Code(_W, "the manifest is past its expiry date within 30 days"),
    "clock-doubtful": Code(_W, "this machine's clock is earlier than a date that was admitted or recorded before"),
    "unsigned": Code(_E, "a signature is required and there is none"),
    "bad-signature": Code(_E, "the signature does not verify"),
    "unknown-key": Code(_E, "signed by a key that this store does not trust"),
    "removed-key": Code(_E, "signed by a key that was removed"),
    "expired-key": Code(_E, "signed by a key outside its dates"),
    "revoked-key": Code(_E, "signed by a certificate that was revoked"),
    "not-in-store": Code(_E, "needed, but not in the store"),
    "family-missing": Code(_E, "a family of the release is missing"),
    "wrong-variant": Code(_E, "a bundle of another variant than the domain or the server takes"),
    "model-unsupported": Code(_E, "the bundle has no image for this model"),
    "model-unlisted": Code(_E, "the list of models does not know this model yet"),
    "jump-refused": Code(_E, "a rule forbids this jump"),
    "jump-unstated": Code(_W, "no rule is about this jump"),
    "mix-refused": Code(_E, "these versions may not be used beside each other"),
    "downgrade": Code(_E, "the version goes down"),
    "older-manifest": Code(_W, "a manifest is older than one that was admitted before"),
    "version-unordered": Code(_W, "the version cannot be placed in the manifest's order"),
    "version-unknown": Code(_W, "the running version is unknown or matches no bundle"),
    "was-removed": Code(_W, "something was recorded of a component after it was removed"),
    "recorded-otherwise": Code(
        _W, "somebody else recorded otherwise of a component while a command recorded of it: both are kept"
    ),
    "mixed-server": Code(_W, "one server's components are at different bundles"),
    "component-differs": Code(_W, "a component differs from its neighbours of the same kind and model"),
    "no-policy": Code(_W, "a server has no policy"),
    "policy-differs": Code(_W, "the policy names another version"),
    "policy-immediate": Code(
        _W, "the policy restarts its servers by itself: immediately, or when a maintenance window starts"
    ),
    "policy-shared": Code(_W, "the policy is shared with other servers"),
    "pair-unhealthy": Code(_E, "a redundant pair is not healthy (a warning for a component that is in none)"),
    "no-way-back": Code(_W, "there is no way back from this step"),
    "not-enough-space": Code(_E, "not enough space"),
    "not-activated": Code(_W, "staged, and not activated, or at another version than the release has"),
    "not-read-back": Code(_W, "recorded as activated, and not read back, or read back as another version"),
    "activation-failed": Code(_E, "the last activation was tried and failed"),
    "no-answer": Code(_W, "the component did not answer"),
    "plan-due": Code(_W, "a kept plan is under way, or a window of it is over and not recorded"),
    "not-for-upload": Code(_E, "a component, or its management service, takes no upload, or not this one"),
    "upload-failed": Code(_E, "an upload was tried and failed, as far as was read back"),
    "activated-early": Code(_E, "an upload was to be staged, and the service activated it"),
    "outcome-unknown": Code(_E, "an upload was begun, and nobody knows what became of it"),
    "receipt-missing": Code(_W, "a media set went out, and no receipt came back"),
    "acceptance-ended": Code(Level.NOTE, "a finding was accepted until a day that is over: it counts again"),
    "input-changed": Code(_E, "an input of the plan changed after the plan was made"),
    "falls-short": Code(_E, "a plan does not lead to its release"),
    "no-change": Code(_W, "a step of a plan changes nothing"),
    "not-checked": Code(_W, "a check lacked a fact, which is named"),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found.

    `subject` names the thing in the user's words, `message` what is, `hint` what to do; `where` is `file:line:column`
    where a text file is meant, `excerpt` that line with a caret line under it. `accepted` says who accepted it, until
    when and why, "" where nobody did; an accepted finding is a note.
    """

    code: str
    level: Level
    subject: str
    message: str
    hint: str = ""
    where: str = ""
    excerpt: str = ""
    accepted: str = ""

    def as_json(self) -> dict[str, Any]:
        """The finding as the JSON envelope carries it."""
        row: dict[str, Any] = {
            "code": self.code,
            "level": self.level.value,
            "subject": self.subject,
            "message": self.message,
            "hint": self.hint,
        }
        if self.where:
            row["where"] = self.where
        if self.accepted:
            row["accepted"] = self.accepted
        return row


def finding(code: str, subject: str, message: str, hint: str = "", level: Level | None = None) -> Finding:
    """Make a finding of a known code, at the code's own level unless another is given.

    Raises KeyError for a code outside the closed list.
    """
    return Finding(code, level or CODES[code].level, subject, message, hint)


def is_ok(findings: Iterable[Finding]) -> bool:
    """True when no finding is an error or a warning."""
    return all(f.level is Level.NOTE for f in findings)


def exit_status(findings: Iterable[Finding]) -> int:
    """3 when something was unreadable or damaged, else 1 when something was found, else 0."""
    rows = list(findings)
    if any(f.code in ("unreadable", "damaged") for f in rows):
        return EXIT_UNFINISHED
    return EXIT_OK if is_ok(rows) else EXIT_FOUND
