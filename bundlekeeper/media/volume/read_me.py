"""The plain text for people on every volume, listed first in its folder. Pure.

Rules: it says what a verification shows and what it does not; it gives no key and no fingerprint, because whoever can
change the medium can change those, too; it prints the cautions where the work is, and is no authority itself.
"""

from __future__ import annotations

from collections.abc import Sequence

from bundlekeeper.formats.escape import human_bytes, visible
from bundlekeeper.model.media.index import FilePart, SetFile, SetIndex

_ABOUT = """\
WHAT THIS IS

  Volume {volume} of {volumes} of the media set {name}, made {made} UTC
  for: {meant_for}
  set id: {set_id}

It has firmware bundles of the platform {platform}, each under its publisher's file name, and the manifest
(number {sequence}) that describes them. All volumes of the set have the same set id.

ON THIS VOLUME

{files}
"""

_CHECK = """\
IS IT WHOLE?

In this folder, run one of these:

  python3 verify.py                      (Python 3.8 or newer; several volumes at once: name their folders)
  sha256sum -c SHA256SUMS                (Linux and other systems with GNU coreutils)

Where nothing may be installed and nothing run: open verify.html in a browser, and choose this folder there.

PowerShell (we did not test these lines):

  Get-Content SHA256SUMS | ForEach-Object {{
    $sum, $name = $_ -split '  ', 2
    if ((Get-FileHash -Algorithm SHA256 -LiteralPath $name).Hash -ne $sum) {{ "DAMAGED: $name" }}
  }}

No output of the PowerShell lines means that nothing is damaged. The folder is also a bag by RFC 8493 (BagIt 1.0):
any BagIt library can validate it.

WHAT THAT SHOWS, AND WHAT IT DOES NOT

All of these show damage, not origin. Whoever can change this medium can change the checksums, verify.py, verify.html
and the tool on it, too. The signatures of set-index.json and of the manifest show who made the set, under a key that
you got by another way: by hand, or confirmed by telephone, never from this medium. With bundlekeeper on your own
machine:

  bundlekeeper media receive .           (it exits with 4 and adds nothing where it does not know the key)

The volumes may come in any order, on several days; the command says what is still to come.
"""

_TOOL = """\
THE TOOL

If this volume has a folder tool/, it has bundlekeeper and what bundlekeeper needs, for the Python and the system that
the first line of tool/requirements.txt names. It needs no network:

  python -m pip install --no-index --find-links tool --require-hashes -r tool/requirements.txt

The hashes there show damage, not origin. Install it only from a volume that a bundlekeeper you already have received
without any finding: receiving compares this text, verify.py, verify.html and the tool with the signed index, too.
"""

_CAUTIONS = """\
CAUTIONS

Firmware work can take services down that people depend on, and a loss of power in the middle of a write can leave a
component unusable. The hardware maker's release notes, local change control and the site's safety rules come before
everything that is written here. Keep power and cooling steady; back up the configuration and read it back; confirm
redundancy before each step; in hospitals, plants and the like agree the window with those responsible for safety;
take anti-static and lifting precautions when a component must be reseated. Nothing here calls a step safe.

AFTERWARDS

Send a receipt back, so that the sender knows what arrived: bundlekeeper receipt write --out FILE --key KEYFILE
"""


def text(index: SetIndex, volume: int, on_it: Sequence[tuple[SetFile, FilePart]], *, with_tool: bool) -> str:
    """The text for one volume, with the files of `on_it`, in lines of at most 120 characters but for long names.

    `with_tool` says that the set's volumes may carry the tool.
    """
    rows = [f"  {p.size:>15,}  data/{visible(p.path)}" for _, p in on_it]
    size = sum(p.size for _, p in on_it)
    split = [f for f, _ in on_it if f.split]
    rows.append(f"  {size:>15,}  bytes in all ({human_bytes(size)})")
    if split:
        rows += ["", "Split, because they do not fit on one volume; `media receive` joins them:"]
        rows += [
            f"  {visible(file.path)}, on volumes {', '.join(str(part.volume) for part in file.parts)}" for file in split
        ]
    if index.notes:
        rows += ["", "What the set lacks, by what `media pack` reported:"]
        rows += [f"  {visible(note)}" for note in index.notes]
    about = _ABOUT.format(
        volume=volume,
        volumes=index.volumes,
        name=index.name,
        made=f"{index.made:%Y-%m-%d %H:%M}",
        meant_for=visible(index.meant_for),
        set_id=index.set_id,
        platform=index.platform,
        sequence=index.manifest_sequence,
        files="\n".join(rows),
    )
    return "\n".join([about, _CHECK.format(), *([_TOOL] if with_tool else []), _CAUTIONS])
