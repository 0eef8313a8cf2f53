"""The address of a shared ledger, as a person writes it: a URI of libpq's, without a password.

Rules: an address is in config files, histories of shells and lists of processes, so one with a password is refused;
libpq takes passwords from the environment, a password file or a service file, and certificates as it documents
(postgresql.org/docs/15, "Database Connection Control Functions").
"""

from __future__ import annotations

import hashlib
from urllib.parse import parse_qsl, urlsplit

from bundlekeeper.errors import InputError

SCHEMES = ("postgresql", "postgres")
_SECRETS = ("password", "sslpassword")
ADDRESS_HINT = 'like "postgresql://HOST/DATABASE"'
_LIBPQ_HINT = "put it into ~/.pgpass, a service file (?service=NAME) or PGPASSWORD, as libpq reads them"


def insist_on_address(address: str) -> None:
    """Insist on an address of a shared ledger. Raises InputError where it is none, or has a password in it."""
    wrong = misread(address)
    if wrong is not None:
        raise InputError(wrong[0], hint=wrong[1])


def misread(address: str) -> tuple[str, str] | None:
    """What is wrong with a text as an address, and what to do; None for nothing. The text itself is not in it."""
    try:
        parts = urlsplit(address)
        secret = parts.password is not None or any(key in _SECRETS for key, _ in parse_qsl(parts.query, True))
    except ValueError:
        return "that is no address of a shared ledger", ADDRESS_HINT
    if secret:
        return "the ledger's address has a password in it", _LIBPQ_HINT
    if parts.scheme not in SCHEMES or not address.startswith(f"{parts.scheme}://") or not address.isprintable():
        return "that is no address of a shared ledger", ADDRESS_HINT
    if parts.fragment:
        return "the ledger's address has a # in it", "write %23 for it"
    return None


def name_of(address: str) -> str:
    """A name for files that belong to an address: 16 hexadecimal digits."""
    return hashlib.sha256(address.encode()).hexdigest()[:16]
