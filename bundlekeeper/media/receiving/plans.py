"""The plans that a set brings: kept in the store, with what was said of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from bundlekeeper.errors import DamagedError, InputError
from bundlekeeper.findings import Finding, finding
from bundlekeeper.model.media.index import SetFile, SetIndex
from bundlekeeper.store.contents.kept_plans import received_plan

if TYPE_CHECKING:
    from bundlekeeper.store.contents.store import Store


def keep_plans(
    store: Store, index: SetIndex, small: Callable[[SetFile], bytes | None], findings: list[Finding]
) -> tuple[str, ...]:
    """Keep the set's plans; their names here. `small` gives a file's bytes as the index has them, None for none.

    What is no plan of ours is added to `findings` and not kept. Raises RefusedError, UnfinishedError.
    """
    here = {file.path: small(file) for file in index.files if file.role in ("plan", "plan-record")}
    names = []
    for path, data in here.items():
        record = here.get(f"{path.removesuffix('.json')}.about.json")
        if data is not None and record is not None and not path.endswith(".about.json"):
            try:
                names.append(received_plan(store, data, record, path))
            except (InputError, DamagedError) as error:
                findings.append(finding("bad-volume", path, error.message, error.hint))
    return tuple(names)
