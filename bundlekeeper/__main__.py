"""The door: answers `--version` and the root help before anything else is imported; ends on an early Ctrl-C."""

import gc
import sys


def main() -> None:
    """Run the command line and exit with its status."""
    try:
        status = _run(sys.argv[1:])
    except KeyboardInterrupt:  # before `run` took the signals over
        if sys.stderr is not None:
            sys.stderr.write("error: stopped by a signal\n")
        status = 130
    gc.freeze()  # what is left goes with the process: looking it over for cycles took a tenth of a command
    sys.exit(status)


def _run(argv: list[str]) -> int:
    from bundlekeeper.cli.screen.streams import give_stdout_a_sink, prepare

    prepare()
    if argv == ["--version"]:
        from bundlekeeper import __version__

        answer = f"bundlekeeper {__version__}\n"
    elif not argv or _after_store(argv)[:1] in (["-h"], ["--help"]):
        from bundlekeeper.cli.screen.help import root_help

        answer = root_help()
    else:
        # A command is short and makes hardly any cycles; looking for them costs `verify --quick` of 10,000 files 0.1 s.
        gc.set_threshold(200_000, 50, 50)
        from bundlekeeper.cli.screen.run import run

        return run(argv)
    try:
        sys.stdout.write(answer)
        sys.stdout.flush()
    except OSError:  # the reader went away, or the disk behind stdout is full
        give_stdout_a_sink()
        return 3
    return 0


def _after_store(argv: list[str]) -> list[str]:
    """The words without a store before the command."""
    return argv[2:] if argv[0] == "--store" else argv[1:] if argv[0].startswith("--store=") else argv


if __name__ == "__main__":
    main()
