"""One command's session: the store opened once, one snapshot of its database, its ledger, its manifest in force.

Rules: everything is opened when it is first asked for and never twice; the store database is copied into memory once,
so that two states are never mixed and no writer waits for a command that reads slowly; the manifest in force is read by
one reader, which follows no links; a command that only reads makes nothing; nothing here prints: what must be reported
goes to `tell`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import field
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from bundlekeeper.errors import DamagedError, InputError, KeeperError
from bundlekeeper.formats.escape import shell_word
from bundlekeeper.frozen import dataclass
from bundlekeeper.jobs.shared.which_ledger import LedgerPlace, SharedAt, open_own, open_shared
from bundlekeeper.model.config import UserConfig
from bundlekeeper.model.progress import Clock, Progress, Silent

if TYPE_CHECKING:
    from bundlekeeper.findings import Finding
    from bundlekeeper.ledger.record.ledger import Ledger
    from bundlekeeper.ledger.shared.copied_ledger import SharedLedger
    from bundlekeeper.model.acceptance import Acceptance
    from bundlekeeper.model.lint.read_manifest import Loaded
    from bundlekeeper.model.manifest.types import KindRule, Manifest
    from bundlekeeper.store.contents.kept_plans import Plans
    from bundlekeeper.store.contents.store import Store
    from bundlekeeper.store.database.rows import Admitted
    from bundlekeeper.store.database.store_database import StoreDatabase
    from bundlekeeper.store.signatures.voucher import Voucher

LEDGER = "ledger.sqlite"
_MADE = ".made"  # beside the ledger, once there was one: so that a ledger that is gone is not one that never was
_REPORTED: set[str] = set()  # stores of which a process reported the owner, however many sessions it has


@dataclass(frozen=True, slots=True)
class Caller:
    """Who runs a job: the clock, today's date where this machine is, where notes go, the user's own defaults."""

    now: Clock
    today: Callable[[], date]
    tell: Callable[[str], None]
    progress: Progress = field(default_factory=Silent)
    config: Callable[[], UserConfig] = UserConfig
    shared: SharedAt = field(default_factory=SharedAt)


@dataclass(frozen=True, slots=True)
class InForce:
    """The manifest in force: its row, its bytes, and the document with what a newer manifest withdrew.

    `unknown` has the findings where those withdrawals are unknown.
    """

    admitted: Admitted
    data: bytes
    loaded: Loaded
    unknown: tuple[Finding, ...]

    @property
    def manifest(self) -> Manifest:
        """The manifest itself."""
        return self.loaded.manifest


class Session:
    """The store of one command and what is in it. A context manager; nothing is opened before it is asked for."""

    def __init__(self, root: Path, caller: Caller, *, write: bool = False) -> None:
        """`root` is the store's folder; with `write` the store is made where absent, and its ledger too."""
        self.root = root
        self.caller = caller
        self.write = write
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def now(self) -> datetime:
        """The time, aware, in UTC."""
        return self.caller.now()

    def today(self) -> date:
        """Today's date where this machine is."""
        return self.caller.today()

    @cached_property
    def config(self) -> UserConfig:
        """The user's own defaults. Raises InputError, RefusedError, UnfinishedError for a config file that is wrong."""
        return self.caller.config()

    def tell(self, note: str) -> None:
        """A line for the person, which is no data."""
        self.caller.tell(note)

    # The store

    @cached_property
    def is_there(self) -> bool:
        """True when there is a store. Raises UnfinishedError where nobody can say, because it may not be entered."""
        return is_there(self.root / ".keeper")

    @cached_property
    def store(self) -> Store:
        """The store, open; a note reports, once, that root uses another user's store. Raises as `Store.open`."""
        from bundlekeeper.store.contents.store import Store

        store = self._stack.enter_context(Store.open(self.root, write=self.write))
        if store.rights.foreign:
            self._tell_root(store.rights.foreign)
        if store.adopted:
            self.tell("note: the store had no .keeper folder: a new one was made, without the old keys and ledger")
        return store

    def _tell_root(self, owner: str) -> None:
        if str(self.root) in _REPORTED:
            return
        _REPORTED.add(str(self.root))
        self.tell(f"note: you are root, and the store belongs to {owner}: its owner may change everything in it")
        self.tell("hint: new files in it belong to root: run as its owner instead, or run chown afterwards")

    # The store database

    @cached_property
    def database(self) -> StoreDatabase | None:
        """The store database as it was when first asked for, in memory; None where there is none yet.

        Raises DamagedError, LockedError, RefusedError, UnfinishedError.
        """
        if self._needs_no_store or not self.store.database_path.exists():
            return None
        return self._stack.enter_context(self.store.snapshot())

    @cached_property
    def consulted(self) -> tuple[StoreDatabase, list[Finding]]:
        """The store database as far as it is right, and its damage, as errors. Raises as `repair.consulted`."""
        from bundlekeeper.store.contents.repair import consulted

        return self._stack.enter_context(consulted(self.store))

    @cached_property
    def admitted(self) -> list[Admitted]:
        """The manifests that the store admitted, in that order. Raises as `database`."""
        return self.database.admitted() if self.database is not None else []

    @cached_property
    def in_force(self) -> InForce | None:
        """The manifest that the store admitted last, from its kept copy; None where it admitted none.

        Raises UnfinishedError or RefusedError when the copy cannot be read, DamagedError when it is not the admitted
        one; and as `database`.
        """
        if not self.admitted:
            return None
        from bundlekeeper.model.lint.read_manifest import read
        from bundlekeeper.store.contents.withdrawals import overlaid
        from bundlekeeper.store.database.kept_manifests import bytes_of

        newest = self.admitted[-1]
        data = bytes_of(self.store.fd, newest)
        loaded, unknown = overlaid(self.store.fd, read(data, name=newest.place, today=newest.issued), self.admitted)
        return InForce(newest, data, loaded, unknown)

    @property
    def manifest(self) -> Manifest | None:
        """The manifest in force; None where there is none. Raises as `in_force`."""
        return self.in_force.manifest if self.in_force is not None else None

    @property
    def own_kinds(self) -> Mapping[str, KindRule]:
        """The [kind.X] tables of the manifest in force; none where there is no manifest. Raises as `in_force`."""
        return self.manifest.kind if self.manifest is not None else {}

    @cached_property
    def voucher(self) -> Voucher:
        """The voucher, which rules on signatures, as of now; without a store it has no trust list.

        A store database that cannot be read is reported where it is used next. Raises InputError for a broken
        store.toml.
        """
        from bundlekeeper.store.signatures.voucher import Voucher

        if not (self.is_there or self.write):
            return Voucher.of(None, self.now(), ())
        admitted: list[Admitted] = []
        with suppress(KeeperError):
            admitted = self.admitted
        return Voucher.of(self.store, self.now(), admitted)

    # Findings that were accepted

    @cached_property
    def acceptances(self) -> tuple[Acceptance, ...]:
        """The entries of store.toml that accept findings, ended ones too; none, and a note, where it cannot be read."""
        if not self.is_there:
            return ()
        from bundlekeeper.store.signatures.voucher import read_settings

        try:
            settings = read_settings(self.store.fd)
        except KeeperError as error:
            self.tell(f"note: no finding counts as accepted: {error.message}")
            return ()
        return settings.accepted if settings is not None else ()

    @cached_property
    def acceptances_now(self) -> tuple[Acceptance, ...]:
        """Those that count, of a site for each of its domains too: a clock that is set back makes none count again."""
        if not self.acceptances:
            return ()
        from bundlekeeper.model.acceptance import of_domains
        from bundlekeeper.store.contents.manifest_dates import latest

        admitted: list[Admitted] = []
        with suppress(KeeperError):
            admitted = self.admitted
        today = latest(admitted, self.now()).date()
        return of_domains([entry for entry in self.acceptances if entry.counts_on(today)], self.places)

    def judged(self, findings: Iterable[Finding], domain: str = "") -> list[Finding]:
        """The findings, those that were accepted as notes that say so: the one place where acceptance is applied.

        `domain` is what they are about where their subjects do not say it.
        """
        rows = list(findings)
        if not rows or not self.acceptances_now:
            return rows
        from bundlekeeper.model.acceptance import applied

        return applied(rows, self.acceptances_now, domain)

    # The ledger

    @property
    def ledger_path(self) -> Path:
        """Where the store's own ledger is."""
        return self.root / ".keeper" / LEDGER

    @cached_property
    def _ledger_place(self) -> LedgerPlace:
        asked = self.caller.shared
        return LedgerPlace(asked, asked.address or self.config.ledger, self.ledger_path)

    @property
    def ledger_address(self) -> str:
        """The address of the shared ledger, empty where the store's own is used. Raises as `config`."""
        return self._ledger_place.shared

    @cached_property
    def _shared(self) -> SharedLedger:
        return self._stack.enter_context(
            open_shared(self._ledger_place, write=self.write, now=self.now, tell=self.tell)
        )

    @cached_property
    def ledger_is_there(self) -> bool:
        """True when something was recorded.

        Raises DamagedError where there was a ledger and it is gone, UnfinishedError where nobody can say; as `ledger`.
        """
        if self.ledger_address:
            return self._shared.head().count > 0
        made = self.ledger_path.with_suffix(_MADE)
        if is_there(self.ledger_path):
            return True
        if is_there(made):
            hint = f"put a backup back (bundlekeeper help store); to begin a new one: rm {shell_word(str(made))}"
            raise DamagedError("the store's ledger is gone", where=str(self.ledger_path), hint=hint)
        return self._ledger_place.copy() is not None

    @cached_property
    def _needs_no_store(self) -> bool:
        """True for whoever only asks a shared ledger on a machine without a store. Raises as `is_there`."""
        return bool(self.ledger_address) and not self.write and not self.is_there

    @cached_property
    def ledger(self) -> Ledger:
        """The store's ledger, or the shared one; made where absent, in a session that writes.

        Raises InputError when there is none yet; DamagedError, LockedError, RefusedError, UnfinishedError.
        """
        place = self._ledger_place
        if self._needs_no_store:
            self.tell(f"note: no store is at {self.root}: the answer is from the shared ledger alone")
        else:
            _ = self.store  # an error of the store is reported first
        if not self.ledger_is_there and not self.write:
            raise nothing_recorded(place.shared or str(place.own))
        if place.shared:
            return self._shared
        ledger = self._stack.enter_context(open_own(place, write=self.write, now=self.now, tell=self.tell))
        made = place.own.with_suffix(_MADE)
        if self.write and not is_there(made):
            with suppress(OSError):
                made.touch(0o600)
        return ledger

    @property
    def own_ledger_is_there(self) -> bool:
        """True when the store has a ledger of its own. Raises as `ledger_is_there`."""
        return is_there(self.ledger_path) if self.ledger_address else self.ledger_is_there

    @cached_property
    def own_ledger(self) -> Ledger:
        """The store's own ledger, which alone says what was removed from this store. Raises as `ledger`."""
        from bundlekeeper.ledger.record.ledger import Ledger

        if not self.ledger_address:
            return self.ledger
        return self._stack.enter_context(Ledger.open(self.ledger_path, write=self.write))

    @cached_property
    def places(self) -> frozenset[tuple[str, str]]:
        """Site and domain, "" for none, of all that is recorded here; empty where nothing is, or it cannot be read."""
        found: set[tuple[str, str]] = set()
        with suppress(KeeperError):
            if self.is_there and self.ledger_is_there:
                from bundlekeeper.ledger.ask.where import summary

                for group in summary(self.ledger, ["site", "domain"], clock=self.now()):
                    site, domain = group.values
                    found.add((site or "", domain or ""))
        return frozenset(found)

    @cached_property
    def plans(self) -> Plans:
        """The kept plans, with what the ledger says of their end. Raises as `store`, `ledger`."""
        from bundlekeeper.store.contents.kept_plans import PlanClosing, Plans

        if not self.ledger_is_there:
            return Plans(self.store)
        from bundlekeeper.ledger.ask.closings import closings

        found = closings(self.ledger)
        return Plans(
            self.store,
            {plan: PlanClosing(event.at.utc(), event.reported_by, event.reason) for plan, event in found.items()},
        )


def nothing_recorded(ledger: str) -> InputError:
    """The error where a store without a ledger is asked, or a shared ledger without events."""
    message, hint = (
        "nothing was recorded in this store yet",
        "begin with what runs today: bundlekeeper inventory load FILE",
    )
    return InputError(message, where=ledger, hint=hint)


def is_there(path: Path) -> bool:
    """True when something is at `path`. Raises UnfinishedError where nobody can say."""
    from bundlekeeper.store.disk import files

    with files.wrapped("the path cannot be read", str(path)):
        try:
            path.stat()
        except (FileNotFoundError, NotADirectoryError):
            return False
    return True
