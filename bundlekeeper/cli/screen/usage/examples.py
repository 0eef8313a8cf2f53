"""An example and a topic for every command; both stand at the end of its `--help`, which is never cut.

Rules: each command has one example, a command line that works in the tour's folder after a tour (a test runs them in
this order); the topic is one of the handbook's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

#: A command as typer made it, or the whole command line; typer names no public type for their parts.
AppCommand = Any


@dataclass(frozen=True, slots=True)
class CommandExample:
    """What is typed after `bundlekeeper`, in the tour's folder with its store; the topic to read; the exit status."""

    words: str
    topic: str
    status: int = 0


#: By command, in the order in which they work in the tour's folder.
EXAMPLES: dict[str, CommandExample] = {
    "tour": CommandExample("tour demo", "manifest"),
    "manifest draft": CommandExample("manifest draft downloads --platform marram -o first.toml", "manifest"),
    "manifest lint": CommandExample("manifest lint marram.toml", "manifest"),
    "manifest show": CommandExample("manifest show marram.toml", "manifest"),
    "manifest diff": CommandExample("manifest diff store/manifests/marram-15.toml marram.toml", "manifest"),
    "manifest schema": CommandExample("manifest schema -o manifest.schema.json", "manifest"),
    "manifest confirm": CommandExample("manifest confirm marram.toml --against publisher/SHA256SUMS", "manifest"),
    "store add": CommandExample("store add marram.toml --from downloads --dry-run", "store"),
    "store list": CommandExample("store list --family rack", "store"),
    "store remove": CommandExample(
        'store remove blade/5.4.10 --reason "no longer used" --confirm blade/5.4.10', "store", 4
    ),
    "verify": CommandExample("verify marram.toml --at stick", "store", 1),
    "trust add": CommandExample("trust add office keys/holm.pub --form sshsig --for manifests", "trust"),
    "trust list": CommandExample("trust list", "trust"),
    "trust remove": CommandExample('trust remove office --reason "a new key is in use"', "trust"),
    "trust crl": CommandExample("trust crl publisher newer.crl", "trust"),
    "inventory load": CommandExample("inventory load skerry.toml --dry-run", "inventory"),
    "inventory read": CommandExample(
        "inventory read https://manager.example --site skerry --domain skerry-a --user kim -o read.toml", "inventory", 1
    ),
    "inventory list": CommandExample("inventory list", "inventory"),
    "inventory template": CommandExample("inventory template -o servers.csv", "inventory"),
    "inventory schema": CommandExample("inventory schema -o inventory.schema.json", "inventory"),
    "stage": CommandExample("stage SKERRYA-IO1 --bundle infrastructure/6.0.1 --dry-run", "inventory"),
    "activate": CommandExample("activate SKERRYA-IO1 --version 6.0.1 --dry-run", "inventory"),
    "observe": CommandExample("observe SKERRYA-IO1 --active 5.4.10 --dry-run", "inventory"),
    "where": CommandExample("where skerry-a", "inventory"),
    "gaps": CommandExample("gaps skerry-a --to 6.1", "route", 1),
    "route": CommandExample("route skerry-a --to 6.1 --window 4h --out skerry-a.json", "route", 1),
    "plan keep": CommandExample("plan keep skerry-a.json --change 118 --approved-by lee", "plan", 1),
    "plan list": CommandExample("plan list", "plan"),
    "plan show": CommandExample("plan show skerry-a-6.1", "plan"),
    "plan check": CommandExample("plan check skerry-a.json", "plan"),
    "plan progress": CommandExample("plan progress skerry-a-6.1", "plan"),
    "plan rehearse": CommandExample("plan rehearse skerry-a-6.1 --fail SKERRYA-IO2@1", "plan", 1),
    "plan record": CommandExample("plan record skerry-a-6.1 --window 1 --template window-1.csv", "plan"),
    "plan ticket": CommandExample("plan ticket skerry-a-6.1", "plan", 1),
    "plan calendar": CommandExample("plan calendar skerry-a-6.1", "plan", 2),
    "plan close": CommandExample("plan close skerry-a-6.1 --reason done", "plan"),
    "report": CommandExample("report --overview --to 6.1 --out overview.html", "route", 1),
    "media pack": CommandExample("media pack --for skerry-a --volume 16GB:fat32", "media"),
    "media write": CommandExample("media write packing.json --to outbound --key keys/holm --dry-run", "media"),
    "media receive": CommandExample("media receive outbound --store skerry --dry-run", "media"),
    "media list": CommandExample("media list", "media"),
    "receipt write": CommandExample(
        "receipt write --out skerry.receipt --key keys/skerry --site skerry --store skerry", "receipt"
    ),
    "receipt read": CommandExample("receipt read receipt.json", "receipt"),
    "export csv where": CommandExample("export csv where -o where.csv", "columns"),
    "export csv inventory": CommandExample("export csv inventory -o inventory.csv", "columns"),
    "inventory columns": CommandExample("inventory columns inventory.csv -o map.toml", "columns"),
    "export csv history": CommandExample("export csv history --domain skerry-a", "columns"),
    "export csv store": CommandExample("export csv store", "store"),
    "export csv gaps": CommandExample("export csv gaps skerry-a --to 6.1", "route", 1),
    "export xlsx where": CommandExample("export xlsx where -o where.xlsx", "exports"),
    "export xlsx inventory": CommandExample("export xlsx inventory -o inventory.xlsx", "exports"),
    "export xlsx history": CommandExample("export xlsx history --domain skerry-a -o history.xlsx", "exports"),
    "export xlsx store": CommandExample("export xlsx store -o store.xlsx", "exports"),
    "export xlsx gaps": CommandExample("export xlsx gaps skerry-a --to 6.1 -o gaps.xlsx", "exports", 1),
    "export cyclonedx": CommandExample("export cyclonedx -o firmware.cdx.json --key keys/holm", "exports"),
    "export metrics": CommandExample("export metrics -o bundlekeeper.prom", "exports", 1),
    "ledger verify": CommandExample("ledger verify", "inventory"),
    "ledger export": CommandExample("ledger export -o ledger.jsonl", "inventory"),
    "ledger merge": CommandExample("ledger merge ledger.jsonl", "inventory"),
    "ledger undo": CommandExample('ledger undo --last --reason "the wrong slot" --dry-run', "inventory"),
    "ledger rebuild": CommandExample("ledger rebuild", "inventory"),
    "ledger salvage": CommandExample("ledger salvage saved.sqlite", "inventory"),
    "ledger setup": CommandExample("ledger setup", "shared"),
    "manifest sign": CommandExample("manifest sign marram.toml --key keys/holm", "trust"),
    "status": CommandExample("status", "automation", 1),
    "accept": CommandExample('accept no-way-back "skerry-a/*" --reason "agreed with lee" --until 2027-06-30', "codes"),
    "help": CommandExample("help store", "codes"),
    "explain": CommandExample("explain altered", "codes"),
    "completion": CommandExample("completion bash", "config"),
}


def dress(command: AppCommand, words: tuple[str, ...] = ()) -> None:
    """Give a command, and every command of its own, its example and its topic."""
    example = EXAMPLES.get(" ".join(words))
    if example is not None:
        # \b: the lines are kept as they are. In the folder of a tour, because there it works.
        command.epilog = (
            f"\b\nExample, in the folder of a tour:\n  bundlekeeper {example.words}\n"
            f"More: bundlekeeper help {example.topic}"
        )
    for name, own in getattr(command, "commands", {}).items():
        dress(own, (*words, name))


def walk(command: AppCommand, words: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], AppCommand]]:
    """Every command of an app with its words, groups included, the app itself not."""
    if words:
        yield words, command
    for name, own in getattr(command, "commands", {}).items():
        yield from walk(own, (*words, name))


def command_of(app: AppCommand, words: Sequence[str]) -> AppCommand:
    """The command of these words, None where they are none."""
    return next((command for own, command in walk(app) if own == tuple(words)), None)


def help_of(app: AppCommand, words: Sequence[str]) -> str:
    """What `bundlekeeper WORDS --help` prints. Raises KeyError for words that are no command."""
    context, command = app.context_class(app, info_name="bundlekeeper"), app
    for word in words:
        command = command.commands[word]
        context = command.context_class(command, info_name=word, parent=context)
    text: str = command.get_help(context)
    return text + "\n"
