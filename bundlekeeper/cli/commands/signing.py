"""`bundlekeeper manifest sign`: a detached SSHSIG signature beside a document of ours.

Rules: the passphrase comes from the terminal or from a descriptor that the user names, never from the command line, and
is printed nowhere; the document is read once, streaming; an existing signature is replaced only with --force.
"""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bundlekeeper.cli.options import JsonOption
from bundlekeeper.cli.screen import output
from bundlekeeper.errors import InputError, RefusedError, UnfinishedError

if TYPE_CHECKING:
    from bundlekeeper.verification.signatures.sign import Passphrase

_LIMIT = 1024  # bytes of a passphrase


def sign(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The manifest (or, with --for bundles, a bundle).")],
    key: Annotated[Path, typer.Option("--key", metavar="FILE", help="Private key: OpenSSH or PKCS #8, mode 0600.")],
    purpose: Annotated[
        str, typer.Option("--for", metavar="PURPOSE", help="What is signed: manifests or bundles.")
    ] = "manifests",
    passphrase_fd: Annotated[
        int | None,
        typer.Option("--passphrase-fd", min=0, metavar="N", help="Read the passphrase from this descriptor."),
    ] = None,
    out: Annotated[
        str,
        typer.Option("--output", "-o", metavar="FILE", help="The signature's file (default: FILE.sig; - is stdout)."),
    ] = "",
    force: Annotated[bool, typer.Option("--force", "-f", help="Replace an existing signature.")] = False,
    json: JsonOption = False,
) -> int:
    """Sign a manifest: SSHSIG, in a namespace of its own, so that it serves for nothing else.

    Nothing but ssh-keygen is needed to verify it; the line for that is printed.
    """
    from bundlekeeper.cli.screen.user_files import write_new
    from bundlekeeper.model.trust import NAMESPACES
    from bundlekeeper.verification.signatures import sign as signing

    if purpose not in ("manifests", "bundles"):
        raise InputError(f"--for {purpose}: not something that is signed here", hint="manifests or bundles")
    digests = _digests(file, signing.DIGEST_OF[purpose])
    private = signing.load_private_key(str(key), passphrase_from(passphrase_fd))
    signature = signing.sign_document(private, purpose, digests)
    public = signing.public_key_of(private)
    target = out or f"{file}.sig"
    written = write_new(target, signature.decode("ascii"), force=force)
    if json and written:
        data = {
            "file": str(file),
            "signature": written,
            "fingerprint": public.fingerprint,
            "namespace": NAMESPACES[purpose],
        }
        output.envelope("manifest-sign", [], data)
    elif written:
        allowed = signing.allowed_signers_line(public).strip()
        output.line(f"signed: {written}, by {public.fingerprint}")
        output.line("to verify it with ssh-keygen alone:")
        output.line(f"  echo '{allowed}' > allowed_signers")
        output.line(
            f"  ssh-keygen -Y verify -f allowed_signers -I keeper -n {NAMESPACES[purpose]} -s "
            f"{shlex.quote(written)} < {shlex.quote(str(file))}"
        )
    return 0


def _digests(file: Path, algorithm: str) -> dict[str, str]:
    from bundlekeeper.verification.hashing.door import digest_fd

    try:
        fd = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            return dict(digest_fd(fd, algorithms=(algorithm,)).hexes)
        finally:
            os.close(fd)
    except FileNotFoundError as error:
        raise InputError("the file is not there", where=str(file), hint="check the path") from error
    except OSError as error:
        raise UnfinishedError(f"the file cannot be read: {error.strerror}", where=str(file)) from error


def passphrase_from(fd: int | None) -> Passphrase:
    """Asks for a passphrase: on the terminal, or from the descriptor that the user named."""

    def from_descriptor(_prompt: str) -> bytes:
        assert fd is not None  # noqa: S101  (bound by the caller's branch)
        try:
            with os.fdopen(os.dup(fd), "rb") as file:
                return file.readline(_LIMIT + 2).rstrip(b"\r\n")
        except OSError as error:
            raise InputError(f"--passphrase-fd {fd} cannot be read: {error.strerror}") from error

    def from_terminal(prompt: str) -> bytes:
        import getpass

        try:  # getpass falls back to an echoing prompt where there is no terminal: ask first
            if not sys.stdin.isatty():
                os.close(os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY))
            return getpass.getpass(f"{prompt}: ").encode("utf-8", "surrogateescape")
        except (EOFError, OSError) as error:
            raise _nobody() from error

    return from_terminal if fd is None else from_descriptor


def _nobody() -> RefusedError:
    return RefusedError("the key needs a passphrase, and there is no terminal", hint="give it with --passphrase-fd N")


__all__ = ["passphrase_from", "sign"]
