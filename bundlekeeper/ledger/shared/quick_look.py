"""One question to a shared ledger's database through libpq alone: a command whose copy is up to date needs no more.

Rules: `psycopg.pq`, psycopg's documented door to libpq, is loaded without the rest of its package, which takes as long
as all other work of such a command; the rest joins it when it is needed (`finish`); where a server does not let one in
or is not there, that is the answer; whatever else goes wrong gives none, and the caller asks in the usual way.
"""

from __future__ import annotations

import gc
import importlib
import importlib.util
import select
import sys
import time
from collections.abc import Mapping
from types import ModuleType
from typing import Any

_PACKAGE, _DOOR = "psycopg", "psycopg.pq"
_PATIENCE_S = 3.0  # who takes longer is asked in the usual way, with the time-outs of the address
_begun: list[ModuleType] = []  # the package, while only the door is loaded


class NotLetInError(Exception):
    """The server is not there, or does not let one in: the text is libpq's."""


def ask(address: str, options: Mapping[str, str], question: str) -> str | None:
    """The one text that answers a question; None where there is no such answer.

    `options` are libpq's, for what the address does not state. Raises NotLetInError.
    """
    try:
        door = _door()
        stated = {
            found.keyword.decode(): found.val.decode() for found in door.Conninfo.parse(address.encode()) if found.val
        }
        if "," in stated.get("host", "") + stated.get("hostaddr", ""):
            return None  # each of several servers has its own time
        return _asked(door, " ".join(map(_option, {**options, **stated}.items())), question)
    except NotLetInError:
        raise
    except Exception:  # the usual way says what is wrong
        return None


def finish() -> None:
    """Load the rest of the package, where only the door is loaded. Raises ImportError."""
    if not _begun:
        return
    package = sys.modules[_PACKAGE] = _begun.pop()
    spec = package.__spec__
    if spec is None or spec.loader is None:
        raise ImportError(_PACKAGE)
    try:
        spec.loader.exec_module(package)
    except BaseException:
        _forget()
        raise


def _door() -> Any:  # noqa: ANN401 - a module that need not be installed
    if _begun:
        return sys.modules[_DOOR]
    if _PACKAGE in sys.modules:
        importlib.import_module(_PACKAGE)  # may be barred
        return importlib.import_module(_DOOR)
    spec = importlib.util.find_spec(_PACKAGE)
    if spec is None:
        raise ImportError(_PACKAGE)
    package = sys.modules[_PACKAGE] = importlib.util.module_from_spec(spec)
    gc.disable()  # what is imported stays: looking for what does not is a tenth of the time
    try:
        door = importlib.import_module(_DOOR)
    except BaseException:
        _forget()
        raise
    finally:
        gc.enable()
    del sys.modules[_PACKAGE]  # nobody else takes it for the whole
    _begun.append(package)
    return door


def _forget() -> None:
    """Let the package be imported as if nothing of it had been."""
    for name in [name for name in sys.modules if name.partition(".")[0] in (_PACKAGE, "psycopg_binary", "psycopg_c")]:
        del sys.modules[name]


def _option(named: tuple[str, str]) -> str:
    """As a connection string has it (libpq, "Keyword/Value Connection Strings")."""
    key, value = named
    quoted = value.replace("\\", "\\\\").replace("'", "\\'")
    return f"{key}='{quoted}'"


def _asked(door: Any, options: str, question: str) -> str | None:  # noqa: ANN401
    end = time.monotonic() + _PATIENCE_S
    line = door.PGconn.connect_start(options.encode())
    try:
        state = door.PollingStatus.WRITING
        while state != door.PollingStatus.OK:
            if line.status == door.ConnStatus.BAD or state == door.PollingStatus.FAILED:
                raise NotLetInError(line.error_message.decode(errors="replace"))
            if not _ready(line, end, writing=state == door.PollingStatus.WRITING):
                return None
            state = line.connect_poll()
        line.send_query(question.encode())
        while line.is_busy():
            if not _ready(line, end, writing=False):
                return None
            line.consume_input()
        answer = line.get_result()
        if answer is None or answer.status != door.ExecStatus.TUPLES_OK or (answer.ntuples, answer.nfields) != (1, 1):
            return None
        cell = answer.get_value(0, 0)
        return None if cell is None else cell.decode()
    finally:
        line.finish()


def _ready(line: Any, end: float, *, writing: bool) -> bool:  # noqa: ANN401
    """Wait until the line can be written or read; False where the time is over."""
    socket = [line.socket]
    left = max(end - time.monotonic(), 0)
    return any(select.select([] if writing else socket, socket if writing else [], [], left))
