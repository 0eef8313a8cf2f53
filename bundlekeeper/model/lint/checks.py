"""All checks of one document, one after the other.

Rules: the types' check and the checks across the document both always run; a document that the types refuse has at
least one error; the order of problems is by path here and by place once places are known. Importing this costs
pydantic.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from bundlekeeper.model.findings import Level
from bundlekeeper.model.lint.bundles import check_bundles
from bundlekeeper.model.lint.codes import LINT_CODES
from bundlekeeper.model.lint.dates import check_dates
from bundlekeeper.model.lint.digests import check_digests
from bundlekeeper.model.lint.files import check_files
from bundlekeeper.model.lint.loose import Loose
from bundlekeeper.model.lint.ordering import check_ranges, check_versions
from bundlekeeper.model.lint.problem import Problem
from bundlekeeper.model.lint.releases import check_releases
from bundlekeeper.model.lint.rules import check_rules
from bundlekeeper.model.lint.scales import Scales
from bundlekeeper.model.lint.shape import check_shape
from bundlekeeper.model.lint.words import check_words
from bundlekeeper.model.manifest import Manifest


@dataclass(frozen=True, slots=True)
class Checked:
    """What the checks found; `manifest` is None where the types refused the document."""

    manifest: Manifest | None
    problems: tuple[Problem, ...]


def check(raw: dict[str, Any], today: date) -> Checked:
    """Run every check on a parsed document. Raises nothing."""
    manifest, problems = check_shape(raw)
    loose = Loose(raw)
    scales = Scales(loose)
    problems += check_words(loose)
    problems += check_digests(loose)
    problems += check_files(loose)
    problems += check_bundles(loose)
    problems += check_dates(loose, today)
    problems += check_versions(loose, scales)
    problems += check_ranges(loose, scales)
    problems += check_releases(loose, scales)
    problems += check_rules(loose, scales)
    if manifest is None and not any(level_of(p) is Level.ERROR for p in problems):
        # The types refused something that no check put into words: never let it pass.
        problems.append(
            Problem("bad-value", (), "the manifest does not have the form that it must have", "see the format")
        )
    return Checked(manifest, tuple(problems))


def level_of(problem: Problem) -> Level:
    """The problem's own level, else its code's."""
    return problem.level or LINT_CODES[problem.code].level
