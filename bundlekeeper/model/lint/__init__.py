"""A manifest's text read with every problem at once, each with its place.

Three folders: common, then the checks, then here reading and running them all.
"""

from bundlekeeper.model.lint.common.codes import LINT_CODES, REFUSAL_CODES, but_of_bundles

__all__ = ["LINT_CODES", "REFUSAL_CODES", "but_of_bundles"]
