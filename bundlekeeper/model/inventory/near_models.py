"""Models of an inventory that are one letter away from a model of the manifest: probably a typing mistake.

Rules: a model that the manifest lists for the kind is never reported; nothing is corrected; another digit in the place
of a digit is another model, as makers number them (common practice).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from bundlekeeper.findings import Finding, Level, finding
from bundlekeeper.formats.escape import counted
from bundlekeeper.model.inventory.types import Component


def near_models(components: Iterable[Component], listed: Mapping[str, Collection[str]]) -> list[Finding]:
    """A warning for each such model; `listed` has the models of the manifest's images, by kind."""
    having: dict[tuple[str, str], int] = {}
    for component in components:
        if component.model and component.model not in listed.get(component.kind, ()):
            kind_and_model = component.kind, component.model
            having[kind_and_model] = having.get(kind_and_model, 0) + 1
    findings: list[Finding] = []
    for (kind, model), count in having.items():
        near = sorted(name for name in listed.get(kind, ()) if is_near(model, name))
        if near:
            message = f"{counted(count, 'component')}: no image of the manifest is for this model, one is for {near[0]}"
            hint = f"did you mean {near[0]}? Correct the inventory, or the manifest, and load it again"
            findings.append(finding("model-unsupported", f"{kind} {model}", message, hint, Level.WARNING))
    return findings


def is_near(one: str, other: str) -> bool:
    """True when one letter more, less or other, two that changed places, or only case or blanks make them equal."""
    a, b = sorted((one.casefold(), other.casefold()), key=len)
    if one == other or len(b) - len(a) > 1:
        return False
    start = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(a))
    if len(a) < len(b):
        return a[start:] == b[start + 1 :]
    if a[start + 1 :] == b[start + 1 :]:
        return not (a[start : start + 1].isdigit() and b[start : start + 1].isdigit())
    return a[start : start + 2] == b[start : start + 2][::-1] and a[start + 2 :] == b[start + 2 :]
