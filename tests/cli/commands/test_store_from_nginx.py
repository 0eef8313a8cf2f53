"""A store that nginx serves, as the handbook has it, fills another one over TLS; what is nobody's business stays."""

from __future__ import annotations

import os
import re
import shutil
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from bundlekeeper.jobs.handbook.topics import handbook_file
from tests.conftest import Keeper, World
from tests.kits.postgres import free_port, make_certificate, need
from tests.kits.sure import some, wait_until

CONFIG = """daemon off;
{user}pid {folder}/pid;
error_log {folder}/log;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/t1; proxy_temp_path {folder}/t2; fastcgi_temp_path {folder}/t3;
    uwsgi_temp_path {folder}/t4; scgi_temp_path {folder}/t5;
{server}}}
"""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """The handbook's server with the store of this test, its address, and the authority of its certificate."""
    nginx = shutil.which("nginx")
    need(nginx, "nginx-light")
    assert nginx is not None
    folder, port = tmp_path / "nginx", free_port()
    folder.mkdir()
    certificate, key, authority = make_certificate(folder)
    (server,) = re.findall(r"(?s)```nginx\n(.*?)```", handbook_file("shared.md"))
    for stated, ours in (
        ("listen 8443", f"listen 127.0.0.1:{port}"), ("/etc/nginx/store.crt", certificate),
        ("/etc/nginx/store.key", key), ("/srv/firmware", tmp_path / "store"),
    ):  # fmt: skip
        assert stated in server
        server = server.replace(stated, str(ours))
    config = folder / "nginx.conf"
    user = "user root;\n" if os.geteuid() == 0 else ""
    config.write_text(CONFIG.format(user=user, folder=folder, server=server))
    trusted = ssl.create_default_context(cafile=authority)
    address = f"https://localhost:{port}/"
    process = subprocess.Popen([nginx, "-c", config, "-e", folder / "log"])

    def answers() -> bool:
        assert process.poll() is None, (folder / "log").read_text()
        try:
            return bool(httpx.get(address, verify=trusted).status_code)
        except httpx.TransportError:
            return False

    try:
        wait_until(answers, "nginx's first answer")
        yield address, authority
    finally:
        process.terminate()
        process.wait()


def test_a_store_is_filled_from_the_handbooks_nginx(
    keeper: Keeper, world: World, served: tuple[str, Path], tmp_path: Path
) -> None:
    """Bundles go over; the ledger, the keys, the quarantine and the settings do not; nothing can be written."""
    address, authority = served
    assert keeper("store", "add", world.manifest, "--from", world.downloads, "--quiet").status == 0
    store, other = tmp_path / "store", tmp_path / "other"
    (store / "store.toml").write_text("store = 1\n")
    (store / "quarantine").mkdir(exist_ok=True)
    (store / "quarantine" / "wrong.bin").write_bytes(b"wrong")
    words = ("store", "add", world.manifest, "--from", address, "--store", other, "--quiet")
    refused = keeper(*words)
    assert refused.status == 3 and "certificate" in refused.out, refused.out
    filled = keeper(*words, "--ca", authority)
    assert filled.status == 0, filled
    bundles = sorted(path.relative_to(store) for path in store.rglob("*.bin") if "quarantine" not in path.parts)
    for bundle in some(bundles):
        assert (other / bundle).read_bytes() == (store / bundle).read_bytes()
    with httpx.Client(verify=ssl.create_default_context(cafile=authority), base_url=address) as client:
        for hidden in (".keeper/store.sqlite", ".keeper/lock", "quarantine/wrong.bin", "store.toml"):
            assert (store / hidden).exists()
            assert client.get(hidden).status_code == 403, hidden
        assert client.get(str(bundles[0])).status_code == 200
        assert client.put(str(bundles[0]), content=b"x").status_code == 403
