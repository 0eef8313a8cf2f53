"""The events of a shared ledger, as PostgreSQL keeps them: inserted, and read in the database's order.

Rules: psycopg is imported here and nowhere else, and only when a shared ledger is asked; every value reaches SQL as a
parameter; the database's errors come out as ours, each with the way out; what was not acknowledged is never said to be
recorded, and where that is not known it is said.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache, cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from bundlekeeper.errors import DamagedError, InputError, KeeperError, LockedError, RefusedError, UnfinishedError
from bundlekeeper.frozen import dataclass
from bundlekeeper.ledger.shared import quick_look
from bundlekeeper.model.ledger_address import ADDRESS_HINT, insist_on_address

if TYPE_CHECKING:
    from uuid import UUID

    import psycopg

SETUP = Path(__file__).parent / "setup.sql"
FORMAT = 1
_PAGE = 5_000  # events of one question
_SENT = 2_000  # events of one insert
_TURN_S = 60
_USUAL = {
    "application_name": "bundlekeeper", "connect_timeout": "10", "client_encoding": "UTF8",
    "keepalives_idle": "10", "keepalives_interval": "5", "keepalives_count": "3", "tcp_user_timeout": "30000",
}  # fmt: skip
_OFFLINE = "bring the line back; or ask the last copy, or record here and merge it later, meanwhile (--offline)"
_UNKNOWN = re.compile(r'(role|database) ".*" does not exist')
_SETUP_HINT = "an administrator makes it: bundlekeeper ledger setup | psql --set ON_ERROR_STOP=1 DATABASE"


class LogState(NamedTuple):
    """What the database says of the ledger: its id, how many events, the head after them, how many batches."""

    id: bytes
    events: int
    head: bytes
    batches: int


class LoggedEvent(NamedTuple):
    """One event as the database has it; `sequence` is its number in the chain of its writer."""

    number: int
    id: bytes
    writer: int
    sequence: int
    head: bytes
    content: str


@dataclass(frozen=True, slots=True)
class LoggedBatch:
    """One batch: `length` events from number `first` on. `learned` is in microseconds since 1970 by the database's
    clock; `documents` are compressed texts; `brought` is what it said of another ledger, as JSON.
    """

    number: int
    own: bool
    learned: int
    first: int
    length: int
    documents: Sequence[bytes]
    brought: Any


@dataclass(frozen=True, slots=True)
class Writer:
    """A login role, and the head of its own chain after `count` events. `head` is hexadecimal."""

    number: int
    name: str
    count: int
    head: str


_BATCH = "number, own, learned, first, length, documents, brought"
_STATE = """
SELECT row_to_json(state)::text FROM (SELECT format, id, count, head, batches,
    pg_has_role('bundlekeeper_owner', 'MEMBER')
        OR has_table_privilege('bundlekeeper.event', 'INSERT, UPDATE, DELETE, TRUNCATE')
        OR has_table_privilege('bundlekeeper.batch', 'INSERT, UPDATE, DELETE, TRUNCATE')
        OR has_table_privilege('bundlekeeper.writer', 'INSERT, UPDATE, DELETE, TRUNCATE')
        OR has_table_privilege('bundlekeeper.ledger', 'INSERT, UPDATE, DELETE, TRUNCATE') AS may_change,
    has_table_privilege('bundlekeeper.recording', 'INSERT')
        AND has_function_privilege('bundlekeeper.turn()', 'EXECUTE') AS may_record,
    (SELECT array_agg(DISTINCT pg_get_userbyid(owner)::text) FROM (
        SELECT nspowner FROM pg_namespace WHERE oid = 'bundlekeeper'::regnamespace
        UNION ALL SELECT relowner FROM pg_class WHERE relnamespace = 'bundlekeeper'::regnamespace
        UNION ALL SELECT proowner FROM pg_proc WHERE pronamespace = 'bundlekeeper'::regnamespace
    ) AS every (owner)) AS owners,
    (SELECT array_agg(prosrc::text) FROM pg_proc WHERE pronamespace = 'bundlekeeper'::regnamespace) AS functions,
    (SELECT count(*) FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid
        WHERE relnamespace = 'bundlekeeper'::regnamespace AND NOT tgisinternal AND tgenabled = 'O') AS triggers,
    session_user::text AS role
FROM bundlekeeper.ledger) AS state
"""


class EventLog:
    """A shared ledger's database: one connection, made when it is needed. Use `open`, and `close` it."""

    def __init__(self, where: str) -> None:
        self.where = where
        self._token: UUID | None = None  # of this turn's rows
        self._waiting: list[str] = []

    @classmethod
    def open(cls, address: str, *, write: bool) -> tuple[EventLog, LogState]:
        """Open the ledger at `address`, with `write` as a recorder.

        Raises InputError for an address that is none; UnfinishedError where psycopg is not installed, or no server
        answers; RefusedError for a role, a schema or a password that is not right; DamagedError for another format.
        """
        insist_on_address(address)
        log = cls(address)
        try:
            answer = None if write else quick_look.ask(address, _USUAL, _STATE)
            return log, log._insist_on_ours(answer or log._asked_state(), write)
        except quick_look.NotLetInError as error:
            raise _ours("", str(error), address) from error
        except BaseException:
            log.close()
            raise

    @cached_property
    def _connection(self) -> psycopg.Connection[Any]:
        driver = _driver()
        with _wrapped(self.where):
            try:
                stated = driver.conninfo.conninfo_to_dict(self.where)
            except driver.ProgrammingError as error:
                message = f"that is no address of a shared ledger: {_said(error)}"
                raise InputError(message, where=self.where, hint=ADDRESS_HINT) from error
            more = {key: value for key, value in _USUAL.items() if key not in stated}
            connection: psycopg.Connection[Any] = driver.connect(
                self.where, autocommit=True, prepare_threshold=None, **more
            )
            return connection

    def close(self) -> None:
        """Close the connection. Raises nothing."""
        if "_connection" in self.__dict__:
            self._connection.close()

    def _asked_state(self) -> str:
        connection = self._connection
        psycopg = _driver()

        with _wrapped(self.where):
            try:
                row = connection.execute(_STATE).fetchone()
            except (psycopg.errors.UndefinedTable, psycopg.errors.InvalidSchemaName) as error:
                message = "no shared ledger is in this database"
                raise UnfinishedError(message, where=self.where, hint=_SETUP_HINT) from error
            except (psycopg.errors.UndefinedObject, psycopg.errors.UndefinedColumn) as error:
                raise self._foreign(f"it is not as its format says: {_said(error)}") from error
        if row is None:
            raise self._foreign("it has no head")
        return str(row[0])

    def _insist_on_ours(self, answer: str, write: bool) -> LogState:
        (found, ledger, count, head, batches, may_change, may_record, owners, functions, triggers, user) = json.loads(
            answer
        ).values()
        if found != FORMAT:
            message = f"the shared ledger has format {found}; this bundlekeeper knows format {FORMAT}"
            raise DamagedError(message, where=self.where, hint="use the bundlekeeper that made it")
        if owners != ["bundlekeeper_owner"]:
            others = ", ".join(sorted(set(owners) - {"bundlekeeper_owner"}))
            message = f"the schema bundlekeeper, or a part of it, belongs to {others}, not to bundlekeeper_owner"
            hint = f"whoever owns it can change what was recorded; {_SETUP_HINT}"
            raise RefusedError(message, where=self.where, hint=hint)
        if set(functions or ()) != _functions() or triggers != _triggers():
            raise self._foreign("its functions or triggers are not those of its format")
        if may_change:
            message = f"the role {user} may change what was recorded"
            hint = (
                "log in as a role that only has bundlekeeper_recorder (or bundlekeeper_reader): no owner, no superuser"
            )
            raise RefusedError(message, where=self.where, hint=hint)
        if write and not may_record:
            hint = f"an administrator allows it: GRANT bundlekeeper_recorder TO {user}"
            raise RefusedError(f"the role {user} may only read", where=self.where, hint=hint)
        return LogState(_bytes(ledger), count, _bytes(head), batches)

    def _foreign(self, message: str) -> DamagedError:
        return DamagedError(f"the shared ledger cannot be used: {message}", where=self.where, hint=_SETUP_HINT)

    # Snapshots out

    def batches(self, after: int) -> list[LoggedBatch]:
        """At most a page of batches after number `after`, in their order. Raises as `_wrapped`."""
        select = f"SELECT {_BATCH} FROM bundlekeeper.batch WHERE number > %s ORDER BY number LIMIT 200"  # noqa: S608
        with _wrapped(self.where):
            return [LoggedBatch(*row) for row in self._connection.execute(select, (after,), binary=True)]

    def events(self, first: int, length: int) -> Iterator[LoggedEvent]:
        """The events from number `first` on, page by page. Raises as `_wrapped`."""
        columns = ", ".join(LoggedEvent._fields)
        select = f"SELECT {columns} FROM bundlekeeper.event WHERE number >= %s AND number < %s ORDER BY number"  # noqa: S608
        for start in range(first, first + length, _PAGE):
            end = min(start + _PAGE, first + length)
            with _wrapped(self.where):
                rows = self._connection.execute(select, (start, end), binary=True).fetchall()
            yield from map(LoggedEvent._make, rows)

    def head_at(self, number: int) -> bytes | None:
        """The chain's head after that many events, at least one; None where there are fewer. Raises as `_wrapped`."""
        with _wrapped(self.where):
            row = self._connection.execute(
                "SELECT head FROM bundlekeeper.event WHERE number = %s", (number,)
            ).fetchone()
        return None if row is None else bytes(row[0])

    def state(self) -> LogState:
        """The ledger as it is now. Raises as `_wrapped`."""
        return self._state("SELECT id, count, head, batches FROM bundlekeeper.ledger")

    def writers(self) -> list[Writer]:
        """Everyone who ever recorded. Raises as `_wrapped`."""
        with _wrapped(self.where):
            rows = self._connection.execute("SELECT number, name, count, head FROM bundlekeeper.writer ORDER BY number")
            return [Writer(number, name, count, head.hex()) for number, name, count, head in rows]

    def firsts_of_writer(self) -> frozenset[int]:
        """The first event of each batch that this login role recorded itself. Raises as `_wrapped`."""
        select = "SELECT first FROM bundlekeeper.batch JOIN bundlekeeper.writer ON writer.number = batch.writer"
        with _wrapped(self.where):
            rows = self._connection.execute(f"{select} WHERE name = session_user AND own AND length > 0")
            return frozenset(first for (first,) in rows)

    def _state(self, select: str) -> LogState:
        with _wrapped(self.where):
            row = self._connection.execute(select, binary=True).fetchone()
        if row is None:
            raise self._foreign("it has no head")
        return LogState(*row)

    @contextmanager
    def snapshot(self) -> Iterator[LogState]:
        """One state of the database for several questions. Raises as `_wrapped`."""
        with _wrapped(self.where):
            self._connection.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        try:
            yield self.state()
        finally:
            with _ignored():
                self._connection.execute("ROLLBACK")

    # Events in

    @contextmanager
    def turn(self) -> Iterator[LogState]:
        """A transaction, alone among those who record; rolled back unless `commit` ends it.

        Raises LockedError when others record for over a minute; as `_wrapped`.
        """
        with _wrapped(self.where):
            self._connection.execute("BEGIN")
            try:
                self._connection.execute(f"SET LOCAL lock_timeout = '{_TURN_S}s'")
                # whoever hangs in the middle loses its turn
                self._connection.execute("SET LOCAL idle_in_transaction_session_timeout = '120s'")
                state = self._state("SELECT id, count, head, batches FROM bundlekeeper.turn()")
                from uuid import uuid4

                self._token, self._waiting = uuid4(), []
                yield state
            finally:
                if not self._connection.closed and self._connection.info.transaction_status != 0:
                    with _ignored():
                        self._connection.execute("ROLLBACK")

    def add(self, contents: Sequence[bytes], *, own: bool) -> None:
        """Insert events, given as their contents. Raises as `_wrapped`."""
        self._waiting += [content.decode() for content in contents]
        if len(self._waiting) >= _SENT:
            self._send(own)

    def _send(self, own: bool) -> None:
        into = "INSERT INTO bundlekeeper.recording (token, own, events) VALUES (%s, %s, %s)"
        with _wrapped(self.where):
            self._connection.execute(into, (self._token, own, self._waiting))
        self._waiting = []

    def learned(self, *, own: bool) -> int:
        """When the database learned of this turn's events, in microseconds. Raises as `_wrapped`."""
        if self._waiting:
            self._send(own)
        with _wrapped(self.where):
            select = "SELECT learned FROM bundlekeeper.batch WHERE token = %s"
            row = self._connection.execute(select, (self._token,)).fetchone()
        if row is None:
            raise self._foreign("it did not keep what was recorded")
        return int(row[0])

    def bring(self, own: bool, documents: Sequence[bytes], brought: object | None) -> None:
        """Insert what belongs to this turn's batch beside its events. Raises as `_wrapped`."""
        into = "INSERT INTO bundlekeeper.recording (token, own, documents, brought) VALUES (%s, %s, %s, %s)"
        text = None if brought is None else json.dumps(brought)
        with _wrapped(self.where):
            self._connection.execute(into, (self._token, own, list(documents), text))

    def commit(self) -> None:
        """Commit the turn: when this returns, its events stay.

        Raises UnfinishedError, which says so where it is not known whether they do; as `_wrapped`.
        """
        psycopg = _driver()

        try:
            self._connection.execute("COMMIT")
        except psycopg.Error as error:
            if not self._connection.closed and error.sqlstate:
                with _wrapped(self.where):
                    raise
            raise self._unknown(error) from error

    def _unknown(self, error: psycopg.Error) -> UnfinishedError:
        message = (
            f"it is not known whether this was recorded: the line was cut while the server answered ({_said(error)})"
        )
        hint = "when the server answers again, look (bundlekeeper where NAME --history) before you record it again"
        return UnfinishedError(message, where=self.where, hint=hint)


@cache
def _script() -> str:
    return SETUP.read_text("utf-8")


@cache
def _functions() -> frozenset[str]:
    """The bodies of the schema's functions, as the setup has them."""
    return frozenset(body for _, body in re.findall(r"AS \$(turn|record|keep)\$(.*?)\$\1\$", _script(), re.DOTALL))


@cache
def _triggers() -> int:
    return _script().count("\nCREATE TRIGGER ")


def _driver() -> Any:  # noqa: ANN401 - a module that need not be installed
    try:
        quick_look.finish()
        import psycopg
    except ImportError as error:
        message = f"a shared ledger needs psycopg, which cannot be imported: {error}"
        raise UnfinishedError(message, hint="pip install 'bundlekeeper[postgres]'") from error
    return psycopg


def _bytes(text: str) -> bytes:
    """Bytes as the server writes them, \\x and hexadecimal."""
    return bytes.fromhex(text.removeprefix("\\x"))


def _said(error: BaseException) -> str:
    """The first line of what libpq or the server said."""
    return _first_line(str(error)) or type(error).__name__


def _first_line(text: str) -> str:
    line = (text.strip().splitlines() or [""])[0]
    return line.removeprefix("connection failed: ").removeprefix("connection is bad: ")


@contextmanager
def _ignored() -> Iterator[None]:
    psycopg = _driver()

    try:
        yield
    except psycopg.Error:
        return


@contextmanager
def _wrapped(where: str) -> Iterator[None]:
    """Raises RefusedError, LockedError, InputError, UnfinishedError for psycopg's errors; other errors pass."""
    psycopg = _driver()

    try:
        yield
    except KeeperError:
        raise
    except psycopg.Error as error:
        raise _ours(error.sqlstate or "", str(error), where) from error
    except UnicodeError as error:
        raise UnfinishedError(f"the shared ledger cannot be used: {error}", where=where) from error


def _ours(state: str, said: str, where: str) -> KeeperError:
    """Our error for one of the database's, by its code ("" for none) and text."""
    text = _first_line(said) or "no reason was given"
    if state == "55P03":
        message = f"others are writing the shared ledger for over {_TURN_S} seconds"
        return LockedError(message, where=where, hint="try again")
    if state == "42501":
        hint = "an administrator allows it: GRANT bundlekeeper_recorder TO ROLE (bundlekeeper_reader, who only asks)"
        return RefusedError(f"the shared ledger refuses it: {text}", where=where, hint=hint)
    if _is_refusal(state, text):
        hint = "libpq takes the password from ~/.pgpass, a service file or PGPASSWORD; see: bundlekeeper help shared"
        return RefusedError(f"the server does not let you in: {text}", where=where, hint=hint)
    if state.startswith("53"):
        hint = "an administrator makes space; nothing of this command was recorded"
        return UnfinishedError(f"the server cannot write: {text}", where=where, hint=hint)
    if state and not state.startswith(("08", "57")):
        return UnfinishedError(f"the shared ledger cannot be used: {text}", where=where)
    return UnfinishedError(f"the shared ledger cannot be reached: {text}", where=where, hint=_OFFLINE)


def _is_refusal(state: str, text: str) -> bool:
    """True where the server answered, and refuses who asks: libpq gives no code for what fails while connecting."""
    said = ("authentication failed", "no password supplied", "no pg_hba.conf entry", "is not permitted to log in")
    return state.startswith("28") or any(words in text for words in said) or bool(_UNKNOWN.search(text))
