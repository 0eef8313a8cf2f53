"""Findings that a person accepted, with a reason and an end: entries of `store.toml`, and what they do to findings.

    [[accepted]]
    code = "no-way-back"
    subject = "holm-a/*"         # what the finding names, whole; or a site or domain and /*
    reason = "2.1 is needed before the audit"
    reported_by = "kim"
    on = 2026-11-30
    until = 2026-12-31           # the last day on which it counts; at most a year after `on`

Rules: pure; an accepted finding is a note that says who accepted it, until when and why, and it is never left out;
what says that bytes, a signature or a record are wrong cannot be accepted; nothing is accepted everywhere: a pattern
names one site or domain; after its last day an entry counts no more.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from datetime import date

from bundlekeeper.errors import InputError
from bundlekeeper.findings import CODES, Finding, Level
from bundlekeeper.formats.escape import meant
from bundlekeeper.frozen import dataclass

#: Codes that say what no person can make good by accepting it.
NEVER = frozenset({
    "altered", "truncated", "extended", "missing", "unreadable", "damaged", "bad-signature", "unknown-key",
    "removed-key", "expired-key", "revoked-key",
})  # fmt: skip
LONGEST_DAYS = 366  # a year that has a 29 February
EVERYWHERE = "/*"


@dataclass(frozen=True, slots=True)
class Acceptance:
    """One accepted code about one subject; `until` is the last day on which it counts."""

    code: str
    subject: str
    reason: str
    reported_by: str
    on: date
    until: date

    def counts_on(self, day: date) -> bool:
        """True up to its last day."""
        return day <= self.until

    def is_about(self, found: Finding, domain: str = "") -> bool:
        """True for a finding of its code and subject; `domain` is what the finding is about where its subject does not
        say it.

        A pattern is about everything whose subject begins with the site or domain that it names.
        """
        if found.code != self.code:
            return False
        if not self.subject.endswith(EVERYWHERE):
            said = found.subject if not domain or _names(found.subject, domain) else f"{domain}: {found.subject}"
            return self.subject == said
        name = self.subject.removesuffix(EVERYWHERE)
        return name == domain or _names(found.subject, name)

    def text(self) -> str:
        """Who accepted it, until when, why."""
        return f"by {self.reported_by} until {self.until}: {self.reason}"


def of_domains(entries: Iterable[Acceptance], places: Collection[tuple[str, str]]) -> tuple[Acceptance, ...]:
    """The entries, and those about everything of a site for each of its domains; `places` are sites with domains.

    Findings name a domain without its site; a domain of that name at another site, too, is in none of them.
    """
    found = [*entries]
    for entry in tuple(found):
        name = entry.subject.removesuffix(EVERYWHERE)
        if name != entry.subject:
            mine = {domain for site, domain in places if site == name and domain}
            others = {domain for site, domain in places if site != name}
            found += [replace(entry, subject=domain + EVERYWHERE) for domain in sorted(mine - others)]
    return tuple(found)


def _names(subject: str, name: str) -> bool:
    """True where a subject begins with a site or a domain, or has the domain as the second step of a place."""
    first = subject.split(": ", 1)[0].split(" ", 1)[0]
    steps = first.split("/")
    return name in {steps[0], "/".join(steps[:2]), *steps[1:2]}


def applied(findings: Iterable[Finding], accepted: Sequence[Acceptance], domain: str = "") -> list[Finding]:
    """The findings, those that are accepted as notes; `accepted` are the entries that count today."""
    if not accepted:
        return list(findings)
    return [_judged(found, accepted, domain) for found in findings]


def _judged(found: Finding, accepted: Sequence[Acceptance], domain: str) -> Finding:
    if found.level is Level.NOTE or found.code in NEVER:
        return found
    entry = next((entry for entry in accepted if entry.is_about(found, domain)), None)
    return found if entry is None else replace(found, level=Level.NOTE, accepted=entry.text())


def insist_on(entry: Acceptance) -> None:
    """Insist that this can be accepted. Raises InputError with what is wrong, and what can be."""
    for problem, hint in problems(entry):
        raise InputError(problem, hint=hint)


def problems(entry: Acceptance) -> Iterable[tuple[str, str]]:
    """What is wrong with an entry, each with a hint."""
    if entry.code not in CODES:
        yield f"there is no finding code {entry.code}", meant(entry.code, tuple(CODES))
    elif entry.code in NEVER:
        yield f"{entry.code} cannot be accepted", f"bundlekeeper explain {entry.code} says what to do about it"
    subject = entry.subject
    if "*" in subject:
        name = subject.removesuffix(EVERYWHERE)
        if subject == name or "*" in name or not all(name.split("/")) or name.count("/") > 1:
            yield f"{subject} is no pattern", "name one site or one domain: holm/*, holm-a/* or holm/holm-a/*"
    elif subject.startswith("step "):
        yield f"every route has a {subject.split(':')[0]}", "name the domain: holm-a/*, or holm-a: step 1: …"
    for key in ("subject", "reason", "reported_by"):
        if not getattr(entry, key).strip():
            yield f"{key} is empty", "say it in a few words"
    if entry.until < entry.on:
        yield f"{entry.until} is before {entry.on}", "name a day that is to come"
    elif (entry.until - entry.on).days > LONGEST_DAYS:
        yield f"{entry.until} is more than a year after {entry.on}", "a year at most: then somebody looks at it again"
