"""`help`, `explain`, `completion` as a user meets them, and the example of every command, which works after a tour."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from bundlekeeper.cli.screen.help import COMMANDS, root_help
from bundlekeeper.cli.screen.run import whole_app
from bundlekeeper.cli.screen.usage.examples import EXAMPLES, help_of, walk
from bundlekeeper.jobs.handbook.codes import explained
from bundlekeeper.jobs.handbook.topics import TOPICS, titles
from tests.conftest import Keeper
from tests.kits.redfish_server import PASSWORD, USER, World, documents, serving
from tests.kits.signing_world import chain, pem
from tests.kits.sure import some

APP = whole_app()
LEAVES = [words for words, command in walk(APP) if not hasattr(command, "commands")]
#: What an example shows in place of the service that only its reader knows.
SERVICE = "https://manager.example"


def test_each_command_has_an_example_and_a_topic() -> None:
    assert sorted(EXAMPLES) == sorted(" ".join(words) for words in some(LEAVES))
    assert {example.topic for example in EXAMPLES.values()} <= set(TOPICS)
    for name, example in EXAMPLES.items():
        assert example.words.split()[: len(name.split())] == name.split()
        text = help_of(APP, name.split())
        assert f"  bundlekeeper {example.words}\n" in text
        assert f"More: bundlekeeper help {example.topic}\n" in text


def test_each_example_works_in_the_folder_of_a_tour(keeper: Keeper, tmp_path: Path) -> None:
    """In the order of the table, those of the codes first; what an example needs from elsewhere is put there."""
    folder = tmp_path / "demo"
    env = {"BUNDLEKEEPER_STORE": str(folder / "store"), "BUNDLEKEEPER_PASSWORD": PASSWORD}
    assert keeper(*EXAMPLES["tour"].words.split(), env=env).status == 0
    for code, texts in explained().items():
        if "command" in texts:
            assert code in keeper(*texts["command"].split(), "--json", cwd=folder, env=env).codes, code
    _put_there(folder, keeper, env)
    with serving(World(documents("rack")), None) as service:
        for name, example in [item for item in some(EXAMPLES.items()) if item[0] != "tour"]:
            words = shlex.split(example.words)
            if SERVICE in words:
                words[words.index(SERVICE)] = f"http://127.0.0.1:{service.server_address[1]}"
                words += ["--http-on-loopback"]
                words[words.index("kim")] = USER
            ran = keeper(*words, cwd=folder, env=env)
            assert ran.status == example.status, (name, ran.status, ran.out[-500:], ran.err[-500:])


def _put_there(folder: Path, keeper: Keeper, env: dict[str, str]) -> None:
    """What examples need from elsewhere: certificates and a newer revocation list, and a plan with dates."""
    made = chain()
    for name, certificate in {"leaf": made.leaf, "middle": made.middle, "root": made.root}.items():
        (folder / name).write_bytes(pem(certificate))
    (folder / "newer.crl").write_bytes(pem(made.root_crl))
    of_chain = ["--form", "cms", "--for", "bundles", "--root", "root", "--intermediate", "middle"]
    assert keeper("trust", "add", "publisher", "leaf", *of_chain, cwd=folder, env=env).status == 0
    (folder / "windows.toml").write_text(
        "windows = 1\n"
        + "".join(
            f'[[window]]\nsite = "skerry"\nbegins = 2099-12-{day:02}T01:00:00\nminutes = 480\n' for day in range(1, 9)
        )
    )
    dated = ["route", "skerry-a", "--to", "6.1", "--windows", "windows.toml", "--out", "dated.json"]
    assert keeper(*dated, cwd=folder, env=env).status == 1


@pytest.mark.parametrize("words", [words for words, _ in walk(APP)], ids=" ".join)
def test_help_fits_80_columns_and_cuts_nothing(words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    """A command of a group is listed with its whole first sentence."""
    monkeypatch.setenv("COLUMNS", "80")
    text = help_of(APP, words)
    example = EXAMPLES.get(" ".join(words))
    shown = text.replace(example.words, "") if example is not None else text  # an example is one line, to be copied
    assert [line for line in shown.split("\n") if len(line) > 80] == []
    joined = " ".join(text.split())
    for name, command in getattr(dict(walk(APP))[words], "commands", {}).items():
        assert " ".join((command.help or "").split("\n\n")[0].split()).partition(". ")[0].rstrip(".") in joined, name


def test_help_lists_the_topics(keeper: Keeper) -> None:
    ran = keeper("help")
    assert ran.status == 0
    for name, title in titles().items():
        assert f"  {name:<10}  {title}\n" in ran.out


def test_a_topic_is_markdown_in_a_pipe(keeper: Keeper) -> None:
    ran = keeper("help", "exit")
    assert ran.out.startswith("# Exit statuses\n")
    assert "| 70 | internal error |" in ran.out
    assert "{{" not in ran.out
    assert keeper("help", "exit", "--json").json["text"].strip() == ran.out.strip()


def test_with_plain_the_tables_of_a_topic_are_read_from_top_to_bottom(keeper: Keeper) -> None:
    ran = keeper("help", "exit", "--plain")
    assert "status: 0\nmeans: all well\n\nstatus: 1\n" in ran.out
    assert (ran.status, "| --- |" in ran.out, ran.out.startswith("# Exit statuses\n")) == (0, False, True)


def test_the_topic_of_the_config_file_shows_what_holds(keeper: Keeper, tmp_path: Path) -> None:
    """With where each value comes from; no value reaches the terminal as an escape."""
    (tmp_path / "bundlekeeper").mkdir()
    file = tmp_path / "bundlekeeper/config.toml"
    file.write_text('reported_by = "kim"\n')
    file.chmod(0o600)
    ran = keeper("help", "config", env={"XDG_CONFIG_HOME": str(tmp_path), "BUNDLEKEEPER_STORE": "a\x1b[31m"})
    assert f"The config file is `{file}`." in ran.out
    assert "| `reported_by` | kim | config file |" in ran.out
    assert "| `store` | a\\x1b[31m | environment (BUNDLEKEEPER_STORE) |" in ran.out
    file.write_text('reportedby = "kim"\n')
    wrong = keeper("help", "config", env={"XDG_CONFIG_HOME": str(tmp_path)})
    assert (wrong.status, "did you mean reported_by?" in wrong.out) == (0, True)  # its topic is what explains it


def test_what_help_means_is_never_guessed(keeper: Keeper) -> None:
    """A topic, then a command, then an error with the nearest of both."""
    assert keeper("help", "route").out.startswith("# The route")
    assert keeper("help", "store", "add").out.startswith("`bundlekeeper store add` is a command:\n\nUsage: ")
    assert keeper("help", "where").out.startswith("`bundlekeeper where` is a command:")
    for words, hint in (
        (["rout"], "did you mean: bundlekeeper help route"),
        (["store", "ad"], "did you mean: bundlekeeper help store add"),
        (["altered"], "bundlekeeper explain altered"),
        (["qqqq"], "bundlekeeper help lists the topics"),
        (["route", "plan"], "hint:"),
        (["exit", "--man", "."], "leave the word out"),
    ):
        ran = keeper("help", *words)
        assert ran.status == 2
        assert ran.out == ""
        assert hint in ran.err


def test_explain_says_what_to_do(keeper: Keeper) -> None:
    ran = keeper("explain", "altered")
    assert ran.status == 0
    assert "altered (error)\n" in ran.out
    assert "  bundlekeeper verify marram.toml --at stick\n" in ran.out
    wrong = keeper("explain", "alterd")
    assert wrong.status == 2
    assert "did you mean: bundlekeeper explain altered" in wrong.err


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_each_script_has_every_command_and_option(keeper: Keeper, shell: str) -> None:
    """Whether the shell itself can read it is seen where the shell is installed."""
    script = keeper("completion", shell).out
    for words, command in walk(APP):
        assert all(word in script for word in words)
        for option in (p for p in command.params if p.param_type_name == "option"):
            assert all(opt.lstrip("-") in script for opt in option.opts)
    if shutil.which(shell):
        assert subprocess.run([shell, "-n"], input=script, text=True, check=False).returncode == 0
    assert keeper("completion", "csh").status == 2


def test_bash_completes_without_python(keeper: Keeper, tmp_path: Path) -> None:
    """With an empty PATH, so that no program can be started."""
    script = tmp_path / "completion.bash"
    script.write_text(keeper("completion", "bash").out, encoding="utf-8")

    def completed(*words: str) -> list[str]:
        quoted = " ".join(map(shlex.quote, ("bundlekeeper", *words)))
        asked = (
            f"source {shlex.quote(str(script))}; PATH=; COMP_WORDS=({quoted}); COMP_CWORD={len(words)}; _bundlekeeper; "
        )
        done = subprocess.run(
            ["/bin/bash", "-c", asked + 'printf "%s\\n" "${COMPREPLY[@]}"'], capture_output=True, text=True, check=True
        )
        assert done.stderr == ""
        return done.stdout.split()

    assert completed("") == list(COMMANDS)
    assert completed("st") == ["status", "store", "stage"]
    assert set(completed("store", "")) >= {"add", "list"}
    assert "--from" in completed("store", "add", "m.toml", "--f")
    assert completed("--store", "/srv/x", "manifest", "li") == ["lint"]
    assert completed("--store", "=", "store", "ver") == ["verify"]  # so bash divides --store=store
    assert completed("store", "add", "--from", "=", "") == []
    assert "--plain" in completed("where", "--pl")
    assert completed("help", "ro") == ["route"]
    assert completed("help", "whe") == ["where"]
    assert completed("accept", "no-way") == ["no-way-back"]
    assert completed("accept", "alt") == []  # which nobody can accept
    assert completed("explain", "bad-s") == ["bad-signature"]
    assert completed("completion", "f") == ["fish"]
    assert completed("store", "add", "--from", "") == []  # a value: the shell completes file names
    assert completed("where", "store", "") == []  # an argument that is called like a command


def test_manual_pages_are_read_without_a_warning(keeper: Keeper, tmp_path: Path) -> None:
    """One for each command and one for all; another file of such a name is left alone, and then nothing is written."""
    folder = tmp_path / "man"
    assert keeper("help", "--man", folder).status == 2
    folder.mkdir()
    assert keeper("help", "--man", folder).status == 0
    assert keeper("help", "--man", folder).status == 0
    names = {path.name for path in folder.iterdir()}
    assert names == {"bundlekeeper.1", *(f"bundlekeeper-{'-'.join(words)}.1" for words, _ in walk(APP))}
    for path in folder.iterdir():
        text = path.read_text("utf-8")
        assert re.search(r"(?m)^\.SH NAME\n", text)
        assert text.isascii()
    whole = (folder / "bundlekeeper.1").read_text()
    assert all(f".SH {title}\n" in whole for title in ("OPTIONS", "ENVIRONMENT", "FILES", "EXIT STATUS"))
    assert "(required)" in (folder / "bundlekeeper-store-remove.1").read_text()
    (folder / "bundlekeeper-verify.1").write_text("mine")
    before = (folder / "bundlekeeper.1").stat().st_mtime_ns
    assert keeper("help", "--man", folder).status == 2
    assert (folder / "bundlekeeper.1").stat().st_mtime_ns == before
    if not shutil.which("groff"):
        pytest.skip("groff is not installed; only the pages' structure was checked")
    (folder / "bundlekeeper-verify.1").unlink()
    pages = sorted(folder.iterdir())
    done = subprocess.run(["groff", "-man", "-Tutf8", "-ww", *pages], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert "Folder or http(s) mirror; repeatable." in done.stdout


def test_the_store_is_named_before_the_command_or_after_it(keeper: Keeper, office: Keeper, tmp_path: Path) -> None:
    """Once; a command that has no store says so."""
    empty = {"BUNDLEKEEPER_STORE": str(tmp_path / "none")}
    store = str(tmp_path / "store")
    for words in (
        ["--store", store, "store", "list", "--json"],
        [f"--store={store}", "store", "list", "--json"],
        ["store", "list", "--store", store, "--json"],
        ["store", "--store", store, "list", "--json"],
        ["store", f"--store={store}", "list", "--json"],
    ):
        assert json.loads(keeper(*words, env=empty).out)["store"] == store
    assert keeper("--store", store, "where", "HOLMA-IO1", env=empty).status == 0
    twice = keeper("--store", store, "store", "list", "--store", store)
    assert (twice.status, "--store is given twice" in twice.err) == (2, True)
    assert keeper("--store", store).status == 2
    assert keeper("--store", store, "tour").status == 2
    assert keeper("--store", store, "--help").out == keeper(f"--store={store}", "-h").out == root_help()
