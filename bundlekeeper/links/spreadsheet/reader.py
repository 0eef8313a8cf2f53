"""The cells of a spreadsheet, read in a process of its own: `python reader.py LIMIT < FILE > JSON`.

Rules: a workbook is a ZIP of XML, so a small one can unpack to any size, and two cells far apart make the library ask
for half a terabyte, which ends its process; so this process has limits of memory and time, and does nothing else. It
imports nothing of ours, so that it starts quickly; it writes one JSON object: the sheets, or an error.
"""

from __future__ import annotations

import json
import resource
import sys
from datetime import date, datetime, time, timedelta
from io import BytesIO

MEMORY_BYTES = 2 << 30
PROCESSOR_S = 60
EMPTY, EMPTY_EACH = 100_000, 50  # empty cells that a sheet may span: in all, and for each filled cell


def cells_of(data: bytes) -> dict[str, object]:
    """Every sheet as rows of cells; a date or time is an object of its kind and ISO 8601 text. May raise any
    exception."""
    import python_calamine

    workbook = python_calamine.CalamineWorkbook.from_filelike(BytesIO(data))
    found: dict[str, object] = {}
    for name in workbook.sheet_names:
        rows = workbook.get_sheet_by_name(name).to_python(skip_empty_area=False)
        claimed, filled = sum(map(len, rows)), sum(cell != "" for row in rows for cell in row)
        if claimed > EMPTY + EMPTY_EACH * filled:
            raise ValueError(f"the sheet {name} spans {claimed} cells, of which {filled} hold something")
        found[name] = [[_plain(cell) for cell in row] for row in rows]
    return found


def _plain(cell: object) -> object:
    if isinstance(cell, datetime):  # before date, which it is too
        return {"datetime": cell.isoformat()}
    if isinstance(cell, date):
        return {"date": cell.isoformat()}
    if isinstance(cell, time):
        return {"time": cell.isoformat()}
    if isinstance(cell, timedelta):
        return {"seconds": cell.total_seconds()}
    return cell


def main(limit_bytes: int) -> int:
    """Write the answer to stdout, at most so many bytes. Raises nothing."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (PROCESSOR_S, PROCESSOR_S))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        found: dict[str, object] = {"sheets": cells_of(sys.stdin.buffer.read())}
        text = json.dumps(found)
    except MemoryError:
        found = {"error": "it needs too much memory"}
    except BaseException as e:  # also a panic of the library, which is no Exception
        found = {"error": str(e)[:500]}
    else:
        if len(text) <= limit_bytes:
            sys.stdout.write(text)
            return 0
        found = {"error": f"its cells come to more than {limit_bytes} bytes"}
    sys.stdout.write(json.dumps(found))
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
