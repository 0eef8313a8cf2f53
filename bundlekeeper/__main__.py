"""The door: answers `--version` and the root help before anything else is imported."""

import sys


def main() -> None:
    """Run the command line and exit with its status."""
    argv = sys.argv[1:]
    if argv == ["--version"]:
        from bundlekeeper import __version__

        answer = f"bundlekeeper {__version__}\n"
    elif not argv or argv[0] in ("-h", "--help"):
        from bundlekeeper.cli.words import root_help

        answer = root_help()
    else:
        from bundlekeeper.cli.run import run

        sys.exit(run(argv))
    try:
        sys.stdout.write(answer)
        sys.stdout.flush()
    except OSError:  # the reader went away, or the disk behind stdout is full
        sys.stderr.close()
        sys.exit(3)


if __name__ == "__main__":
    main()
