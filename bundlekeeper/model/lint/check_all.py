"""All checks of one document, one after the other.

Rules: the types' check and the checks across the document both always run; a document that the types refuse has at
least one error; problems are sorted by path here, and by place once places are known. Importing this costs pydantic.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

from bundlekeeper.findings import Level
from bundlekeeper.frozen import dataclass
from bundlekeeper.model.lint.checks.bundles import check_bundles
from bundlekeeper.model.lint.checks.dates import check_dates
from bundlekeeper.model.lint.checks.digests import check_digests
from bundlekeeper.model.lint.checks.files import check_files
from bundlekeeper.model.lint.checks.ordering import check_ranges, check_versions
from bundlekeeper.model.lint.checks.releases import check_releases
from bundlekeeper.model.lint.checks.rules import check_rules
from bundlekeeper.model.lint.checks.shape import check_shape
from bundlekeeper.model.lint.checks.vocabulary import check_words
from bundlekeeper.model.lint.common.budget import Budget, SpentError
from bundlekeeper.model.lint.common.codes import LINT_CODES
from bundlekeeper.model.lint.common.orders import Scales
from bundlekeeper.model.lint.common.problem import Problem
from bundlekeeper.model.lint.common.raw_rows import Loose
from bundlekeeper.model.manifest.types import Manifest

MAX_PROBLEMS = 5_000  # of one check; memory stays bounded whatever the file
UNITS = 3_000_000  # steps of one check that compares; each about a microsecond


@dataclass(frozen=True, slots=True)
class Checked:
    """What the checks found; `manifest` is None where the types refused the document."""

    manifest: Manifest | None
    problems: tuple[Problem, ...]


def check(raw: dict[str, Any], today: date) -> Checked:
    """Run every check on a parsed document. Raises nothing."""
    manifest, shape = check_shape(raw)
    loose = Loose(raw)
    checks: list[Callable[[Scales], Iterator[Problem]]] = [
        lambda _: shape,
        lambda _: check_words(loose),
        lambda _: check_digests(loose),
        lambda _: check_files(loose),
        lambda _: check_bundles(loose),
        lambda _: check_dates(loose, today),
        lambda scales: check_versions(loose, scales),
        lambda scales: check_ranges(loose, scales),
        lambda scales: check_releases(loose, scales),
        lambda scales: check_rules(loose, scales),
    ]
    problems: list[Problem] = []
    for one in checks:
        # Each check has space and time of its own, so that none can use up another's.
        problems += _bounded(one(Scales(loose, Budget(UNITS))))
    if manifest is None and not any(level_of(problem) is Level.ERROR for problem in problems):
        # The types refused something that no check has a message for: it must not pass.
        message = "the manifest does not have the required form"
        problems.append(Problem("bad-value", (), message, "compare it with the schema"))
    return Checked(manifest, tuple(problems))


def _bounded(found: Iterator[Problem]) -> Iterator[Problem]:
    """At most `MAX_PROBLEMS`, and one more when there are more or when the check ran out of its budget."""
    try:
        for count, problem in enumerate(found):
            if count == MAX_PROBLEMS:
                message = f"there are more than {MAX_PROBLEMS} problems of one sort; the others are not listed"
                yield Problem("more-problems", (), message, "fix those that are listed first")
                return
            yield problem
    except SpentError:
        message = "there are too many versions and rules: not all were compared with each other"
        yield Problem("not-compared", (), message, "list fewer versions, or cover more with one rule")


def level_of(problem: Problem) -> Level:
    """The problem's own level, else its code's."""
    return problem.level or LINT_CODES[problem.code].level
