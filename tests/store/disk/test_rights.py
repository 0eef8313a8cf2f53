"""Who may write a store: everything that it relies on, every user and group, all problems at once with their commands.

Check values: modes and owners are the kernel's (chmod(2), chown(2)); the commands that a refusal names are run, and
then the same command of ours must go through.
"""

from __future__ import annotations

import grp
import os
import pwd
import shlex
import struct
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bundlekeeper.errors import InputError, RefusedError
from bundlekeeper.store.contents.store import Store
from bundlekeeper.store.disk.rights import CODE
from tests.conftest import Keeper, World
from tests.kits.as_user import as_user, needs_root, open_folder
from tests.kits.store_kit import GOOD, Kit, codes

NOBODY = 65534
STRANGER = 54321  # a number that no user has
LET_IN = (0, 1)  # 1: giving a file away changes its change time, so that its verification is an old one
PLACE = "blade/6.1.0/a.bin"


@pytest.fixture(autouse=True)
def usual_umask() -> Iterator[None]:
    """In folders that nobody else may enter nothing is anybody's to change."""
    before = os.umask(0o022)
    yield
    os.umask(before)


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    """A store with one bundle, a trust folder and an store.toml."""
    kit = Kit(tmp_path)
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    trust = kit.root / ".keeper/trust"
    trust.mkdir()
    (trust / "marram.toml").write_text("x")
    (kit.root / ".keeper/ledger.sqlite").write_bytes(b"")
    (kit.root / "store.toml").write_text("store = 1\n")
    return kit


ALWAYS = [
    "",
    "blade",
    "quarantine",
    "manifests",
    "store.toml",
    ".keeper",
    ".keeper/store.sqlite",
    ".keeper/ledger.sqlite",
    ".keeper/lock",
    ".keeper/trust",
    ".keeper/trust/marram.toml",
]


def refusal(kit: Kit) -> RefusedError:
    """What opening the store is refused with."""
    with pytest.raises(RefusedError) as caught:
        Store.open(kit.root, write=False)
    return caught.value


def commands(error: RefusedError) -> list[str]:
    """The commands that a refusal names."""
    hints = [found.hint for found in error.problems] or [error.hint]
    return [hint.rpartition("; else: ")[2] for hint in hints]


def obey(error: RefusedError) -> None:
    """Do what the refusal says."""
    for command in commands(error):
        subprocess.run(["sh", "-c", command], check=True)


@pytest.mark.fault(17)
@pytest.mark.fault(94)
@pytest.mark.parametrize(("bits", "letter", "who"), [(0o020, "g", "its group"), (0o002, "o", "everybody")])
@pytest.mark.parametrize("path", ALWAYS)
def test_what_others_may_write_is_refused_with_the_chmod(kit: Kit, path: str, bits: int, letter: str, who: str) -> None:
    """Who may write them decides whom the store trusts, what it holds and what it says was done."""
    target = kit.root / path
    before = target.stat().st_mode
    target.chmod(before | bits)
    error = refusal(kit)
    assert who in error.message
    assert commands(error) == [f"chmod {letter}-w -- {shlex.quote(str(target))}"]
    obey(error)
    assert target.stat().st_mode == before
    Store.open(kit.root, write=True).close()


@pytest.mark.fault(17)
@pytest.mark.fault(94)
@needs_root
@pytest.mark.parametrize("path", [path for path in ALWAYS if path])
def test_what_belongs_to_somebody_else_is_refused_with_the_chown(kit: Kit, path: str) -> None:
    """An owner gives himself every right: chmod(2)."""
    os.chown(kit.root / path, STRANGER, -1)
    error = refusal(kit)
    assert f"it belongs to {STRANGER}" in error.message
    assert commands(error) == [f"chown -h -- root {shlex.quote(str(kit.root / path))}"]
    obey(error)
    Store.open(kit.root, write=True).close()


@needs_root
def test_all_problems_are_reported_at_once_and_their_commands_help(tmp_path: Path) -> None:
    """A folder whose name a shell would take apart, too."""
    kit = Kit(tmp_path, "a store; $(false) 'x'")
    kit.offer("a.bin", GOOD)
    kit.add(kit.bundle("a.bin", GOOD))
    for path in ("", "blade", ".keeper/lock"):
        (kit.root / path).chmod(0o777)
    os.chown(kit.root / ".keeper/store.sqlite", STRANGER, -1)
    os.chown(kit.root / "blade", STRANGER, -1)
    error = refusal(kit)
    assert {found.code for found in error.problems} == {CODE}
    expected = [str(kit.root), "blade", ".keeper/store.sqlite", ".keeper/lock"]
    assert sorted(found.subject for found in error.problems) == sorted(expected)
    obey(error)
    Store.open(kit.root, write=True).close()


def test_a_temporary_folder_that_only_its_owner_may_enter_is_not_looked_into(kit: Kit) -> None:
    """What lies there is on its way in: with --link=hard it is the source's own file, with the source's rights."""
    part = kit.root / ".keeper/incoming/.part-00"
    part.write_bytes(b"")
    part.chmod(0o666)
    Store.open(kit.root, write=False).close()
    (kit.root / ".keeper/incoming").chmod(0o755)
    assert ".keeper/incoming/.part-00" in refusal(kit).message


@pytest.mark.fault(17)
@pytest.mark.parametrize("path", ["blade/6.1.0", PLACE])
@pytest.mark.parametrize("bits", [0o020, 0o002])
def test_who_looks_at_bundles_refuses_those_that_others_may_write(kit: Kit, path: str, bits: int) -> None:
    (kit.root / path).chmod((kit.root / path).stat().st_mode | bits)
    Store.open(kit.root, write=True).close()
    uses: tuple[Callable[[], object], ...] = (kit.states, lambda: retake(kit), lambda: retake(kit, dry_run=True))
    for use in uses:
        with pytest.raises(RefusedError) as caught:
            use()
        assert path in caught.value.message
    obey(caught.value)
    assert kit.states() == {PLACE: "unverified" if path == PLACE else "verified"}  # its change time is another now


def retake(kit: Kit, *, dry_run: bool = False) -> object:
    """Take the bundle again."""
    return kit.add(kit.bundle("a.bin", GOOD), dry_run=dry_run)


@pytest.mark.parametrize("mode", [0o664, 0o666])
def test_a_shared_file_that_others_may_write_is_a_warning(
    keeper: Keeper, world: World, tmp_path: Path, mode: int
) -> None:
    """`--link=hard` leaves the mode to the source: the rest of the store is none the worse."""
    for name in world.names():
        (world.downloads / name).chmod(mode)
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--link=hard", "--quiet").status in (0, 1)
    for words in (
        ["store", "list"],
        ["verify"],
        ["verify", "--quick"],
        ["store", "add", world.manifest, "--from", world.downloads],
    ):
        ran = keeper(*words, "--json")
        assert ran.status == 1, ran.out + ran.err
        reported = [found for found in ran.json["findings"] if found["code"] == CODE]
        assert len(reported) == len(world.names())
        assert {found["level"] for found in reported} == {"warning"}
        assert all("shared with its source" in found["message"] for found in reported)


def test_where_looks_at_no_bundle(office: Keeper, tmp_path: Path) -> None:
    """A question about the ledger must not cost a look at 10,000 files; `store list` looks at them anyway."""
    bundle = next((tmp_path / "store/blade").rglob("*.bin"))
    bundle.chmod(0o666)
    assert office("where").status == 0
    ran = office("store", "list", "--json")
    assert (ran.status, ran.json["error"]["exit"]) == (4, 4)
    assert f"chmod o-w -- {bundle}" in ran.json["error"]["hint"] or "chmod go-w" in ran.json["error"]["hint"]


# One group, where the store's settings name it


def own_group() -> str:
    """The name of a group that the store's files have."""
    return grp.getgrgid(os.getegid()).gr_name


@pytest.mark.parametrize("path", [path for path in [*ALWAYS, PLACE, "blade/6.1.0"] if path != "store.toml"])
def test_the_group_that_the_settings_name_may_write(kit: Kit, path: str) -> None:
    (kit.root / path).chmod((kit.root / path).stat().st_mode | 0o020)
    (kit.root / "store.toml").write_text(f'store = 1\ngroup = "{own_group()}"\n')
    kit.states()
    (kit.root / path).chmod((kit.root / path).stat().st_mode | 0o002)
    with pytest.raises(RefusedError, match="everybody") as caught:
        kit.states()
    assert commands(caught.value)[0].startswith("chmod o-w ")


def test_an_access_list_is_not_excused_by_the_named_group(kit: Kit) -> None:
    """acl(5): with a list the group's bits are its mask, so that they speak of others, too."""
    (kit.root / "store.toml").write_text(f'store = 1\ngroup = "{own_group()}"\n')
    blade = kit.root / "blade"
    blade.chmod(0o775)
    kit.states()
    entries = [(1, 7, 0xFFFFFFFF), (2, 7, 65534), (4, 5, 0xFFFFFFFF), (16, 7, 0xFFFFFFFF), (32, 5, 0xFFFFFFFF)]
    data = struct.pack("<I", 2) + b"".join(struct.pack("<HHI", *entry) for entry in entries)  # linux/posix_acl_xattr.h
    try:
        os.setxattr(blade, "system.posix_acl_access", data)
    except OSError as error:
        pytest.skip(f"no access lists here: {error}")
    with pytest.raises(RefusedError, match="access list") as caught:
        kit.states()
    assert any(line.startswith("setfacl -b -- ") for line in commands(caught.value))


@needs_root
def test_another_group_than_the_named_one_may_not(kit: Kit) -> None:
    (kit.root / "store.toml").write_text(f'store = 1\ngroup = "{own_group()}"\n')
    os.chown(kit.root / "blade", -1, STRANGER)
    (kit.root / "blade").chmod(0o775)
    assert f"its group {STRANGER} may write it" in refusal(kit).message


@pytest.mark.fault(94)
def test_a_group_cannot_name_itself(kit: Kit) -> None:
    """Who may write store.toml could else write his own group into it."""
    settings = kit.root / "store.toml"
    settings.write_text(f'store = 1\ngroup = "{own_group()}"\n')
    (kit.root / "blade").chmod(0o775)
    settings.chmod(0o664)
    error = refusal(kit)
    assert {found.subject for found in error.problems} == {"store.toml", "blade"}
    obey(error)
    Store.open(kit.root, write=False).close()


def test_a_group_that_this_machine_does_not_know_names_nobody(kit: Kit) -> None:
    (kit.root / "store.toml").write_text('store = 1\ngroup = "no-such-group-here"\n')
    Store.open(kit.root, write=True).close()
    (kit.root / "blade").chmod(0o775)
    assert "this machine knows no group no-such-group-here" in refusal(kit).hint


def test_settings_that_cannot_be_read_excuse_nothing(kit: Kit) -> None:
    (kit.root / "store.toml").write_text("store = 1\ngroup = 5\n")
    (kit.root / "blade").chmod(0o775)
    with pytest.raises(InputError, match="group takes the name of a group"):
        Store.open(kit.root, write=False)


# Other users


@pytest.fixture
def shared(request: pytest.FixtureRequest) -> Iterator[Kit]:
    """A store with a bundle, in a folder that everybody may enter."""
    with open_folder() as base:
        kit = Kit(base)
        kit.offer("a.bin", GOOD)
        kit.add(kit.bundle("a.bin", GOOD))
        yield kit


def give(kit: Kit, user: int, group: int = -1) -> None:
    """Give the whole store away."""
    for path in (kit.root, *kit.root.rglob("*")):
        os.chown(path, user, group)


@needs_root
def test_roots_store_is_read_by_all_and_written_by_root(shared: Kit) -> None:
    words = ("store", "list", "--store", shared.root)
    assert as_user(NOBODY, [NOBODY], *words).status in LET_IN
    ran = as_user(NOBODY, [NOBODY], "trust", "remove", "x", "--reason", "y", "--store", shared.root)
    assert ran.status == 4
    assert "belongs to another user (root, 0)" in ran.err


@needs_root
def test_another_users_store_is_refused_and_roots_use_of_it_is_reported_once(shared: Kit, tmp_path: Path) -> None:
    give(shared, STRANGER)
    ran = as_user(NOBODY, [NOBODY], "store", "list", "--store", shared.root)
    assert ran.status == 4
    assert f"belongs to another user ({STRANGER})" in ran.err
    ran = as_user(0, [0], "verify", "--store", shared.root, warm=[["--help"]])
    assert ran.status in LET_IN, ran.err
    assert ran.err.count(f"note: you are root, and the store belongs to {STRANGER}") == 1


@needs_root
def test_members_of_the_named_group_share_a_store_and_no_other_user_does(shared: Kit) -> None:
    """Two users of this system that have the same group: Debian's base-passwd gives news and nobody none in common."""
    owner = pwd.getpwnam("nobody")
    give(shared, owner.pw_uid, owner.pw_gid)
    settings = shared.root / "store.toml"
    settings.write_text(f'store = 1\ngroup = "{grp.getgrgid(owner.pw_gid).gr_name}"\n')
    os.chown(settings, owner.pw_uid, -1)
    words = ("store", "list", "--store", shared.root)
    assert as_user(STRANGER, [STRANGER, owner.pw_gid], *words).status in LET_IN
    assert as_user(STRANGER, [STRANGER], *words).status == 4
    # what a member brought belongs to the member, and is not somebody else's for the others
    os.chown(shared.root / PLACE, owner.pw_uid, -1)
    for path in (shared.root, settings):
        os.chown(path, 0, -1)
    assert as_user(0, [0], *words, warm=[["--help"]]).status in LET_IN
    os.chown(shared.root / PLACE, STRANGER, -1)
    assert as_user(0, [0], *words, warm=[["--help"]]).status == 4


@needs_root
def test_who_is_of_the_group_does_not_write_the_settings(shared: Kit) -> None:
    """store.toml of a member that is not the owner could name any group."""
    member = pwd.getpwnam("nobody")
    settings = shared.root / "store.toml"
    settings.write_text(f'store = 1\ngroup = "{grp.getgrgid(member.pw_gid).gr_name}"\n')
    os.chown(shared.root / "blade", member.pw_uid, -1)
    Store.open(shared.root, write=False).close()
    os.chown(settings, member.pw_uid, -1)
    error = refusal(shared)
    assert {found.subject for found in error.problems} == {"blade", "store.toml"}
    assert all("chown -h -- root " in found.hint for found in error.problems)


def test_the_codes_of_a_good_store(kit: Kit) -> None:
    """A store as we make it has nothing to be said of, whatever the umask was."""
    old = os.umask(0)
    try:
        assert CODE not in codes(kit.add(kit.bundle("a.bin", GOOD)))
    finally:
        os.umask(old)
