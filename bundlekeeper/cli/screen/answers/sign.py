"""A signature that was made: whose, and how to verify it without this program."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from bundlekeeper.cli.screen import output
from bundlekeeper.cli.screen.forms import OutputForm

if TYPE_CHECKING:
    from bundlekeeper.jobs.sign import SignedFile


def show(signed: SignedFile, written: str, *, form: OutputForm) -> None:
    """What was signed and by whom; `written` is the signature's file."""
    if form is OutputForm.JSON:
        data = {
            "file": str(signed.file),
            "signature": written,
            "fingerprint": signed.fingerprint,
            "namespace": signed.namespace,
        }
        output.envelope("manifest-sign", [], data)
        return
    output.line(f"signed: {written}, by {signed.fingerprint}")
    output.line("to verify it with ssh-keygen alone:")
    output.line(f"  echo '{signed.allowed_signer}' > allowed_signers")
    output.line(
        f"  ssh-keygen -Y verify -f allowed_signers -I keeper -n {signed.namespace} -s "
        f"{shlex.quote(written)} < {shlex.quote(str(signed.file))}"
    )
