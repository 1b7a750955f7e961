"""The program `leaveby`, which may be stopped while it is loaded as well."""

import sys


def main() -> int:
    """Run the command of the terminal, as `leaveby.cli.main`; 130 where it was stopped."""
    try:
        from leaveby.cli import main as run

        return run()
    except KeyboardInterrupt:
        if sys.stderr is not None:
            sys.stderr.write("Stopped. Nothing half-written was left.\n")
        return 130


if __name__ == "__main__":
    sys.exit(main())
