"""Pages of one file: HTML that needs no network, no script and no other file, filled by Jinja2.

Rules: every value is data: it passes `visible` (controls, bidi) and is then escaped by Jinja's autoescape; nothing of a
template comes from data; a page forbids itself to fetch or run anything (Content-Security-Policy); a name that a
template asks for and nobody gave is an internal error, never a blank.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from bundlekeeper.errors import KeeperError
from bundlekeeper.formats.escape import visible

_FOLDER = Path(__file__).parent / "templates"


def render(template: str, **values: Any) -> str:  # noqa: ANN401  (what a template shows)
    """The page. Raises KeeperError where the template and its values do not fit: an internal error."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shown,
    )
    try:
        return environment.get_template(template).render(**values)
    except jinja2.TemplateError as error:
        raise KeeperError(f"internal error: the page {template} cannot be made: {error}") from error


def _shown(value: object) -> object:
    """What an expression puts out: text is made visible, line by line; what else there is are numbers and macros."""
    if type(value) is not str:
        return value
    if "\n" not in value:  # nearly always: a page of 20,000 components asks 700,000 times
        return visible(value)
    return "\n".join(visible(row) for row in value.split("\n"))
