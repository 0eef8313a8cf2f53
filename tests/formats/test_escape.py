"""Words for a shell that can be printed and pasted, against a shell itself."""

from __future__ import annotations

import shutil
import subprocess

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bundlekeeper.formats.escape import shell_word, visible

BASH = shutil.which("bash") or ""


@pytest.mark.skipif(not BASH, reason="there is no bash here")
@given(st.lists(st.binary(min_size=1, max_size=12).map(lambda raw: raw.replace(b"\0", b"n")), min_size=1, max_size=20))
@example(
    [
        b"plain",
        b"two words",
        b"it's",
        b"a\nb",
        b"\xff\xfe",
        b"\x1b[31mred",
        b"$HOME",
        b"back\\slash\n",
        "\u202e".encode(),
    ]
)
def test_a_shell_reads_back_what_was_meant(names: list[bytes]) -> None:
    """Every name by bash: printf of the word gives the very bytes, and the word is printed as it is."""
    words = [shell_word(name.decode("utf-8", "surrogateescape")) for name in names]
    assert [visible(word) for word in words] == words
    script = "printf '%s\\0' " + " ".join(words)
    done = subprocess.run([BASH, "-c", script], capture_output=True, check=True)
    assert done.stdout == b"".join(name + b"\0" for name in names)
