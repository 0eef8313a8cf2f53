"""QR codes: what is drawn on a terminal is what another program reads; what is too large is not drawn."""

from __future__ import annotations

from pathlib import Path

import pytest

from bundlekeeper.errors import InputError
from bundlekeeper.reports import qr
from tests.kits.signing_world import program, run

TEXT = "00V0201RB7RXXZ2F57R033X88606A8X8PC20376TV5E9S7J1BA"


def bitmap(lines: list[str], scale: int = 4) -> bytes:
    """The half blocks as a picture (PBM, netpbm): a drawn half is light, as on a dark terminal."""
    halves = {" ": (1, 1), "█": (0, 0), "▀": (0, 1), "▄": (1, 0)}
    rows = []
    for line in lines:
        for half in (0, 1):
            row = " ".join(str(halves[sign][half]) for sign in line for _ in range(scale))
            rows += [row] * scale
    return f"P1\n{len(lines[0]) * scale} {len(rows)}\n".encode() + "\n".join(rows).encode() + b"\n"


@pytest.mark.parametrize("count", [1, 2, 5])
def test_zbar_reads_what_the_terminal_shows(tmp_path: Path, count: int) -> None:
    """Checked against zbar, a reader of bar codes that has nothing to do with what draws them."""
    picture = tmp_path / "code.pbm"
    picture.write_bytes(bitmap(qr.terminal(TEXT * count)))
    done = run(program("zbarimg"), "--quiet", "--raw", str(picture))
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().decode() == TEXT * count


def test_no_line_is_wider_than_a_terminal_and_what_is_wider_is_not_drawn() -> None:
    assert max(map(len, qr.terminal(TEXT * 5))) <= 80
    assert qr.terminal(TEXT * 30) == []
    with pytest.raises(InputError, match="too long"):
        qr.svg(TEXT * 200)


def test_a_page_s_code_is_an_element_with_nothing_from_elsewhere() -> None:
    drawn = qr.svg(TEXT)
    assert drawn.startswith("<svg")
    assert "script" not in drawn and "href" not in drawn
