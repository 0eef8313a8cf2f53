"""What `where` makes of the words that it is asked with, before anything is looked up."""

from __future__ import annotations

from typing import Any, cast

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.jobs.recording.where import WhereAsked, narrowed
from bundlekeeper.ledger.ask.types import Selector

_NO_SESSION = cast("Any", None)  # a digest is judged without one


@pytest.mark.parametrize("digest", ["g" * 64, "a" * 63 + "-", "a" * 63, "a" * 65, "0x" + "a" * 62, "\u0661" * 64, " "])
def test_what_is_no_digest_is_refused(digest: str) -> None:
    """A digest that nobody could have would be answered by "nothing that is known matches"."""
    with pytest.raises(InputError, match="64 hexadecimal digits"):
        narrowed(_NO_SESSION, Selector(), WhereAsked(sha256=(digest,)))


def test_a_digest_in_capitals_is_the_same_digest() -> None:
    found = narrowed(_NO_SESSION, Selector(), WhereAsked(sha256=("AB" * 32,)))
    assert found == Selector(version=(), sha256=("ab" * 32,), bank=())
