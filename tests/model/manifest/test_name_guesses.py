"""What a file's name gives of its version, and what it only seems to give: a wrong guess is worse than none.

The names are invented, in the many shapes that publishers use (common practice); those at the end are files and
packages of Debian, by name, whose versions the package index states.
"""

from __future__ import annotations

import tomllib
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bundlekeeper.model.manifest.draft_rows import DraftRow, bundle_lines
from bundlekeeper.model.manifest.name_guesses import guess_version

PLAIN = {
    "marram-blade-6.1.0.bin": "6.1.0",
    "marram-blade-6.1.bin": "6.1",
    "marram_blade_6.1.0.bin": "6.1.0",
    "marram.blade.6.1.0.bin": "6.1.0",
    "marram blade 6.1.0.bin": "6.1.0",
    "6.1.0.bin": "6.1.0",
    "6.1.0": "6.1.0",
    "marram-blade-v6.1.0.bin": "6.1.0",
    "MARRAM-BLADE-V6.1.0.FWB": "6.1.0",
    "marram-blade-6.1.0-p2.bin": "6.1.0-p2",
    "marram-blade-6.1.0-rc1.bin": "6.1.0-rc1",
    "marram-blade-6.1.0_beta.bin": "6.1.0_beta",
    "marram-blade-5.4.10a.bin": "5.4.10a",
    "marram-blade-4.0.1a.bin": "4.0.1a",
    "marram-blade-6.1.0.77.bin": "6.1.0.77",
    "marram-blade-6.1.0.tar.gz": "6.1.0",
    "marram-6.1.0-blade.bin": "6.1.0",
    # words with digits of their own that are no versions
    "marram-blade-6.1.0-x86_64.bin": "6.1.0",
    "marram-blade-6.1.0.x86_64.bin": "6.1.0",
    "marram-x86_64-blade-6.1.0.bin": "6.1.0",
    "marram-blade-6.1.0-arm64.bin": "6.1.0",
    "marram-blade-6.1.0-sha256.bin": "6.1.0",
    "sha256-marram-blade-6.1.0.bin": "6.1.0",
    "Tern-4-blade-6.1.0.bin": "6.1.0",
    "marram-e1-6.1.0.bin": "6.1.0",
}

UNKNOWN = [
    # dates, in every order and with any sign between
    "marram-blade-20260812.bin",
    "marram-blade-2026-08-12.bin",
    "marram-blade-2026.08.12.bin",
    "marram-blade-2026_08_12.bin",
    "marram-blade-12082026.bin",
    "marram-blade-08122026.bin",
    "marram-blade-12.08.2026.bin",
    "marram-blade-12.08.26.bin",
    "marram-blade-26.08.12.bin",
    "marram-blade-2026.08.bin",
    "marram-blade-08.2026.bin",
    "marram-blade-20260812.1.bin",
    "marram-blade-1.20260812.bin",
    "marram-20260812-6.1.0.bin",
    "marram-12082026-6.1.0.bin",
    "marram-2026-08-12-6.1.0.bin",
    "marram-12-08-26-blade-6.1.0.bin",
    "marram-260812-blade-6.1.0.bin",
    "marram-12aug2026-blade-6.1.0.bin",
    "marram-aug26-blade-6.1.0.bin",
    "marram-Aug-12-blade-6.1.0.bin",
    "marram-20260812T0930-blade-6.1.0.bin",
    "marram-202608120930-blade-6.1.0.bin",
    "marram-2026w33-blade-6.1.0.bin",
    "marram-blade-6.1.0-20260812.bin",
    "marram-blade-6.1.0_2026-08-12.bin",
    "marram-blade-6.1.0.20260812.bin",
    # two that could be it
    "marram-blade-6.1.0-for-6.1.bin",
    "marram-agent-2.4.1-for-6.1-x86_64.bin",
    "marram-blade-5.4.2-to-6.1.0.bin",
    "marram-5.4.2_6.1.0.bin",
    "marram-blade-6.1.0-6.1.0.bin",
    "marram-hw2.0-blade-6.1.0.bin",
    "marram-6_1_0-blade-5.4.2.bin",
    "marram-v6-blade-1.0.bin",
    "marram-release-6-blade-1.0.bin",
    "marram-blade-6-1.0.bin",
    "marram_blade_6_1.0.bin",
    # one number with points, of something else
    "marram-agent-for-6.1.bin",
    "marram-upgrade-from-5.4.2.bin",
    "marram-upgrade-to-6.1.0.bin",
    "marram-needs-6.1.0.bin",
    "marram-usb-3.0.bin",
    "marram-hw2.0.bin",
    "marram-adapter-2.5g.bin",
    "marram-disk-1.5TB.bin",
    "marram-blade-6.1.x.bin",
    # a number without a point: a model, a build, a digest
    "marram-blade-6.bin",
    "marram-blade-61.bin",
    "marram-blade-6_1_0.bin",
    "marram-blade-6-1-0.bin",
    "Tern-4-blade.bin",
    "Reed-36.bin",
    "marram-x86_64.bin",
    "marram-sha256.bin",
    "marram-blade-build1234.bin",
    "marram-blade-e3b0c44298fc1c14.bin",
    # more that may belong to the version
    "marram-blade-6.1.0-build1234.bin",
    "marram-blade-6.1.0-1234.bin",
    "marram-blade-6.1.0+git5.bin",
    "marram-blade-6.1.0-e3b0c44298fc1c14.bin",
    "marram-blade-6.1.0-hf1.bin",
    "marram-blade-6.1.0-hotfix.bin",
    "marram-blade-6.1.0-final.bin",
    "marram-blade-6.1.0-Tern-4.bin",
    "marram-blade-6.1.0~rc.bin",
    "marram-blade-6.1.0-p2x.bin",
    "marram-blade-6.1.0 (1).bin",
    "marram-blade-6.1.0.bin.sha256",
    "marram-blade-٦.١.bin",
    "",
]

# Files of Debian's packages for UEFI, BIOS, network boot and SBI, and the packages (packages.debian.org).
PUBLIC = [
    "ovmf_2022.11-6+deb12u2_all.deb",
    "qemu-efi-aarch64_2022.11-6+deb12u2_all.deb",
    "seabios_1.16.2-1_all.deb",
    "opensbi_1.1-2_all.deb",
    "openbios-sparc_1.1.git20210102-1_all.deb",
    "ipxe-qemu_1.0.0+git-20190125.36a4c85-5.1_all.deb",
    "grub-firmware-qemu_2.06-13+deb12u1_amd64.deb",
    "u-boot-qemu_2023.01+dfsg-2+deb12u1_all.deb",
    "OVMF_CODE_4M.secboot.fd",
    "OVMF_VARS_4M.ms.fd",
    "AAVMF32_CODE.fd",
    "QEMU_EFI-pflash.raw",
    "bios-256k.bin",
    "bios-microvm.bin",
    "vgabios-virtio.bin",
    "efi-e1000e.rom",
    "pxe-rtl8139.rom",
    "fw_jump.elf",
    "opensbi-riscv64-generic-fw_dynamic.bin",
    "sbi-qemu-riscv64-1.1-2.bin",
]


@pytest.mark.parametrize(("file", "version"), PLAIN.items())
def test_the_only_candidate_is_the_guess(file: str, version: str) -> None:
    assert guess_version(file) == version


@pytest.mark.parametrize("file", [*UNKNOWN, *PUBLIC])
def test_nothing_is_guessed(file: str) -> None:
    assert guess_version(file) is None


@pytest.mark.parametrize("file", ["marram-blade-6.1.0.bin", "marram-blade-6.1.0-for-6.1.bin", "odd.bin", "Tern-4.bin"])
def test_every_guess_is_to_be_reviewed_and_so_is_every_gap(file: str) -> None:
    lines = bundle_lines(DraftRow(file, "a" * 64, 7), "own copy")
    for key in ("family", "version"):
        (line,) = [row for row in lines if row.startswith(f"{key} = ")]
        assert "  # REVIEW: " in line
        guessed = tomllib.loads(line)[key]
        assert guessed in ("", "blade", "6.1.0")
        assert ("guessed" in line) is bool(guessed)


dates = st.dates(min_value=date(2000, 1, 1), max_value=date(2039, 12, 31))
forms = ["%Y%m%d", "%Y-%m-%d", "%Y_%m_%d", "%Y.%m.%d", "%d%m%Y", "%m%d%Y", "%d.%m.%Y", "%d-%m-%y", "%y%m%d", "%d%b%Y"]


@given(dates, st.sampled_from(forms), st.sampled_from(["m-{}-blade-6.1.0.bin", "m-6.1.0-{}.bin", "m_{}.bin", "{}.bin"]))
def test_no_name_with_a_date_is_guessed_at(day: date, form: str, name: str) -> None:
    assert guess_version(name.format(day.strftime(form))) is None


pieces = st.sampled_from(["6.1", "5.4.2", "v7.0", "hw2.0", "for-6.1", "6.1.0-p2"])


@given(pieces, pieces, st.sampled_from(["-", "_", "-blade-", "-for-", "-x-"]))
def test_no_name_with_two_candidates_is_guessed_at(one: str, other: str, between: str) -> None:
    assert guess_version(f"marram-{one}{between}{other}.bin") is None
