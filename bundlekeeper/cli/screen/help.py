"""Static texts: the root help and the names of the commands.

Rules: nothing is imported here, so that `--help` costs only the interpreter; a test compares these texts with the
commands that really exist.
"""

#: command -> (module that registers it, one line for the root help). The order is that of the job.
COMMANDS: dict[str, tuple[str, str]] = {
    "tour": ("bundlekeeper.cli.commands.tour", "the whole job on a small invented platform, with what to look at"),
    "status": ("bundlekeeper.cli.commands.attention.status", "what needs attention today, and the command for each"),
    "manifest": (
        "bundlekeeper.cli.commands.manifest",
        "draft, lint, show, compare, confirm, sign a manifest; JSON Schema",
    ),
    "store": ("bundlekeeper.cli.commands.store", "add a manifest's bundles, verified; list what is in the store"),
    "verify": ("bundlekeeper.cli.commands.verify", "verify the store, or any folder, against a manifest"),
    "trust": ("bundlekeeper.cli.commands.trust", "add, list, remove the keys that signatures are checked with"),
    "inventory": (
        "bundlekeeper.cli.commands.inventory",
        "load what components exist and run, from sheets or a service; draft column maps",
    ),
    "stage": ("bundlekeeper.cli.commands.recording", "record that an image is on a component; --upload brings it"),
    "activate": ("bundlekeeper.cli.commands.recording", "record that a component now runs an image"),
    "observe": ("bundlekeeper.cli.commands.recording", "record what was read from a component"),
    "where": ("bundlekeeper.cli.commands.where", "which version is staged, pending, active, where, on any day"),
    "gaps": ("bundlekeeper.cli.commands.gaps", "everything that is between a domain and a release"),
    "route": ("bundlekeeper.cli.commands.route", "the ordered route to a release, or why there is none"),
    "plan": ("bundlekeeper.cli.commands.plan", "a plan's file: check it, its windows as a calendar, a ticket's text"),
    "media": ("bundlekeeper.cli.commands.media", "pack, write, receive a set of volumes"),
    "receipt": ("bundlekeeper.cli.commands.receipt", "write or read what a site sends back"),
    "report": ("bundlekeeper.cli.commands.report", "a run-book or a page of all sites, one file without network"),
    "export": ("bundlekeeper.cli.commands.export", "for auditors (CycloneDX), monitoring, spreadsheets"),
    "ledger": ("bundlekeeper.cli.commands.ledger", "verify, undo, export, merge: the ledger itself"),
    "help": ("bundlekeeper.cli.commands.handbook.pages", "the handbook: a topic, or the list of topics"),
    "accept": ("bundlekeeper.cli.commands.attention.accept", "accept a finding, with a reason and an end date"),
    "explain": ("bundlekeeper.cli.commands.handbook.pages", "one finding code: what it means, what to do"),
    "completion": ("bundlekeeper.cli.commands.handbook.pages", "a script that completes words in bash, zsh or fish"),
}

#: Commands that have commands of their own.
GROUPS = frozenset({"manifest", "store", "trust", "inventory", "plan", "media", "receipt", "export", "ledger"})

#: Commands, and commands of a group, that use no store.
WITHOUT_STORE = frozenset({
    "tour", "help", "explain", "completion", "manifest draft", "manifest lint", "manifest confirm", "manifest schema",
    "manifest sign", "inventory read", "inventory template", "inventory schema", "ledger setup",
})  # fmt: skip

EXIT_STATUSES = (
    (0, "all well"),
    (1, "something was found"),
    (2, "the command line or an input file is wrong"),
    (3, "could not finish: I/O, network, lock, or something was unreadable"),
    (4, "refused to act: a signature, a manifest, a medium or a store's permissions are not trusted"),
    (70, "internal error"),
    (129, "stopped by SIGHUP: the terminal went away"),
    (130, "stopped by Ctrl-C"),
    (131, "stopped by SIGQUIT"),
    (143, "stopped by SIGTERM"),
)


#: Options of the program and of every command, and what the environment says.
OPTIONS = (
    ("-h, --help", "this text; `bundlekeeper COMMAND --help` for one command"),
    ("--version", "the version"),
    ("--store DIR", "the store's folder, before or after the command"),
    ("--ledger-at ADDRESS", "the ledger that a team shares, in place of the store's own (help shared)"),
    ("--offline", "the store's own ledger in place of the shared one"),
    ("--plain", "with any command: tables as `key: value` lines, for a screen reader"),
    ("--debug", "with any command: a traceback with an error"),
)
ENVIRONMENT = (
    ("BUNDLEKEEPER_STORE", "the store's folder, where --store is not given"),
    ("NO_COLOR", "no colours"),
)


def root_help() -> str:
    """The text of `bundlekeeper --help`."""
    rows = "\n".join(f"  {name:<10} {line}" for name, (_, line) in COMMANDS.items())
    codes = "\n".join(f"  {code:<4} {what}" for code, what in EXIT_STATUSES)
    options = "\n".join(f"  {name:<11}  {what}" for name, what in OPTIONS)
    environment = "\n".join(f"  {name:<19}  {what}" for name, what in ENVIRONMENT)
    return f"""Usage: bundlekeeper [--store DIR] COMMAND [OPTIONS] [ARGUMENTS]

Keeps firmware bundles, verifies them against your manifest, and reports what is where.
It plans and records; it never calls a step safe, and sends firmware only by stage --upload.

Commands:
{rows}

Options:
{options}

Exit status:
{codes}

Environment and config file (bundlekeeper help config):
{environment}
"""
