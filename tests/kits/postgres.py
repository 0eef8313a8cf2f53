"""A PostgreSQL server of the tests' own: one for each process of tests, and a new database for each test.

It is Debian's, in a temporary folder, run by a user without rights, because it refuses root; it listens on a Unix
socket, and on loopback with TLS. Where it is not installed the tests report that they skipped; in CI that is a failure.
"""

from __future__ import annotations

import ipaddress
import os
import shutil
import signal
import socket
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import count
from pathlib import Path
from typing import Any

import psycopg
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from bundlekeeper.ledger.record.ledger import Ledger
from bundlekeeper.ledger.shared.copied_ledger import SharedLedger
from bundlekeeper.ledger.shared.log import SETUP
from tests.kits.sure import wait_until

RECORDERS, READER, PASSWORD = ("kim", "lee", "noor"), "robin", "tern-2026"
_NUMBERS = count()
#: What a test may not survive is a killed server, not a power cut: nothing is synced to the disk.
_OPTIONS = ("fsync=off", "full_page_writes=off", "shared_buffers=16MB", "max_connections=60", "ssl=on",
            "log_min_messages=fatal", "autovacuum=off", "password_encryption=scram-sha-256")  # fmt: skip
_HBA = "local all all trust\nhostssl all all 127.0.0.1/32 scram-sha-256\n"


@cache
def programs() -> Path | None:
    """The folder of the newest server's programs; None where none is installed."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: float(path.parent.name))
    found = shutil.which("initdb")
    return folders[-1] if folders else Path(found).parent if found else None


def need(program: object, package: str) -> None:
    """Skip the test where a program is not installed, or fail it in CI."""
    if program is None:
        skip = pytest.fail if os.environ.get("CI") else pytest.skip
        skip(f"needs {package}, which is not installed")


def unprivileged() -> list[str]:
    """The words before a command that run it without root's rights, and end it with the tests."""
    words = ["setpriv", "--pdeathsig", "KILL"]
    return [*words, "--reuid=nobody", "--regid=nogroup", "--clear-groups"] if os.geteuid() == 0 else words


@dataclass
class Cluster:
    """A server: `folder` has its data and its socket, `authority` the certificate that its own is signed by."""

    folder: Path
    port: int
    authority: Path
    options: Sequence[str]
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the server, and wait until it answers."""
        options = [word for option in self.options for word in ("-c", option)]
        command: list[str | Path] = [(programs() or Path()) / "postgres", "-D", self.folder / "data", "-k", self.folder,
                   "-p", str(self.port), "-c", "listen_addresses=127.0.0.1", *options]  # fmt: skip
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen([*unprivileged(), *command], stdout=log, stderr=log)
        wait_until(self._answers, "the server's first answer")

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folder / "log").read_text()
        try:
            psycopg.connect(self.address("postgres", "admin")).close()
        except psycopg.OperationalError:
            return False
        return True

    def stop(self, *, kill: bool = False) -> None:
        """Stop the server, with `kill` as a crash would."""
        if self.process is None:
            return
        if kill:
            self.process.send_signal(signal.SIGSTOP)  # it starts no more
            for pid in children(self.process.pid):
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            self.process.kill()
        else:
            self.process.send_signal(signal.SIGQUIT)  # at once, as a crash, too: the next start recovers
        self.process.wait()
        self.process = None

    def address(self, database: str, role: str) -> str:
        """The address of a database by the socket."""
        return f"postgresql://{role}@/{database}?host={self.folder}&port={self.port}"

    def run(self, database: str, *statements: str) -> list[Any]:
        """Run statements as the administrator; the rows of the last one."""
        with psycopg.connect(self.address(database, "admin"), autocommit=True) as connection:
            for statement in statements:
                done = connection.execute(statement)
            return done.fetchall() if done.description else []


def children(pid: int) -> list[int]:
    """The processes that a process started."""
    words = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(word) for word in words]


@dataclass
class SharedDatabase:
    """A database with an empty shared ledger; `name` is its name in the cluster."""

    cluster: Cluster
    name: str
    folder: Path

    def address(self, role: str = RECORDERS[0]) -> str:
        """The ledger's address for a role."""
        return self.cluster.address(self.name, role)

    def drop(self) -> None:
        """Remove the database: each is 8 MB."""
        self.cluster.run("postgres", f"DROP DATABASE {self.name} WITH (FORCE)")

    def run(self, *statements: str) -> list[Any]:
        """Run statements as the administrator."""
        return self.cluster.run(self.name, *statements)


_KEPT_PORTS: list[socket.socket] = []


def free_port() -> int:
    """A port of loopback that nobody uses, and that none but a server that names it gets while this process lasts.

    A socket keeps it: the kernel gives it to nobody who asks for any port, and lets a server listen there, as both have
    SO_REUSEADDR (socket(7)). It is set after the bind, else two of these could get the same port.
    """
    keeping = socket.socket()
    keeping.bind(("127.0.0.1", 0))
    keeping.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    _KEPT_PORTS.append(keeping)
    return int(keeping.getsockname()[1])


def make_certificate(folder: Path) -> tuple[Path, Path, Path]:
    """A certificate of 127.0.0.1 and `localhost`, its key, and the authority that signed it."""
    now = datetime.now(UTC)
    keys = [ec.generate_private_key(ec.SECP256R1()) for _ in range(2)]
    names = [x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]) for name in ("holm authority", "localhost")]
    found = []
    for number, (key, name) in enumerate(zip(keys, names, strict=True)):
        builder = x509.CertificateBuilder(names[0], name, key.public_key(), x509.random_serial_number())
        builder = builder.not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=2))
        builder = builder.add_extension(x509.BasicConstraints(number == 0, None), critical=True)
        if number:
            address = x509.IPAddress(ipaddress.ip_address("127.0.0.1"))
            builder = builder.add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost"), address]), False)
        found.append(builder.sign(keys[0], hashes.SHA256()))
    authority, certificate, key_file = folder / "authority.pem", folder / "server.crt", folder / "server.key"
    authority.write_bytes(found[0].public_bytes(serialization.Encoding.PEM))
    certificate.write_bytes(found[1].public_bytes(serialization.Encoding.PEM))
    form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    key_file.write_bytes(keys[1].private_bytes(*form))
    key_file.chmod(0o600)
    return certificate, key_file, authority


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """The server of this process of tests, with the roles of the invented world."""
    need(programs(), "postgresql (15 or newer)")
    with running(_OPTIONS) as started:
        yield started


@contextmanager
def running(options: Sequence[str]) -> Iterator[Cluster]:
    """A new server with these options, and the roles of the invented world."""
    with tempfile.TemporaryDirectory(prefix="pg", dir="/tmp", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o755)
        made = Cluster(folder, free_port(), folder / "authority.pem", options)
        if os.geteuid() == 0:
            shutil.chown(folder, "nobody", "nogroup")
        words: list[str | Path] = [
            str((programs() or Path()) / "initdb"),
            "-D",
            folder / "data",
            "-U",
            "admin",
            "-E",
            "UTF8",
        ]
        words += ["--no-locale", "-A", "trust", "-N"]
        subprocess.run([*unprivileged(), *words], check=True, stdout=subprocess.DEVNULL, cwd=folder)
        (folder / "data" / "pg_hba.conf").write_text(_HBA)
        certificate, key, authority = make_certificate(folder / "data")
        authority.rename(made.authority)
        for file in (certificate, key):
            if os.geteuid() == 0:
                shutil.chown(file, "nobody", "nogroup")
        made.start()
        try:
            made.run("postgres", "CREATE DATABASE shared_template")
            made.run("shared_template", SETUP.read_text())
            for role in RECORDERS:
                made.run("postgres", f"CREATE ROLE {role} LOGIN PASSWORD '{PASSWORD}' IN ROLE bundlekeeper_recorder")
            made.run("postgres", f"CREATE ROLE {READER} LOGIN IN ROLE bundlekeeper_reader")
            yield made
        finally:
            made.stop()


@pytest.fixture
def database(cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[SharedDatabase]:
    """A new database with an empty shared ledger; copies of it are in the test's own folder."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    made = new_database(cluster, tmp_path / "copies")
    yield made
    made.drop()


def new_database(cluster: Cluster, folder: Path) -> SharedDatabase:
    """A new database with an empty shared ledger."""
    name = f"shared{next(_NUMBERS)}"
    cluster.run("postgres", f"CREATE DATABASE {name} TEMPLATE shared_template STRATEGY file_copy")
    return SharedDatabase(cluster, name, folder)


@contextmanager
def opened(shared: SharedDatabase, role: str = RECORDERS[0], copies: str = "") -> Iterator[SharedLedger]:
    """The shared ledger as one role on one machine has it; `copies` names the machine ("" is the role's own)."""
    folder = shared.folder / (copies or role)
    ledger = SharedLedger.connect(shared.address(role), folder, write=role != READER, tell=lambda note: None)
    with ledger:
        yield ledger


@pytest.fixture(params=["own", "shared"])
def each_ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Ledger]:
    """An empty ledger: first a store's own, then one on PostgreSQL, with the same test."""
    if request.param == "own":
        with Ledger.open(tmp_path / "ledger.sqlite", write=True) as own:
            yield own
        return
    made = new_database(request.getfixturevalue("cluster"), tmp_path)
    with opened(made) as ledger:
        yield ledger
    made.drop()
