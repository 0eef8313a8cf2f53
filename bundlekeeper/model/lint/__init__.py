"""Lint: everything that can be said of a manifest at once.

Rules: one module per sort of check, each a function from the loose document to problems; a check takes only values of
the right type and skips the rest; none hides another. Importing this package costs nothing heavy; `lint.checks` costs
pydantic.
"""

from bundlekeeper.model.lint.codes import LINT_CODES, REFUSAL_CODES, but_of_bundles

__all__ = ["LINT_CODES", "REFUSAL_CODES", "but_of_bundles"]
