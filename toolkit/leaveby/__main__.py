"""The program `leaveby`, which may be stopped while it is loaded as well."""

import sys


def main() -> int:
    """Run the command of the terminal, as `leaveby.cli.main`; 130 where it was stopped."""
    try:
        from leaveby.cli import main as run

        return run()
    except KeyboardInterrupt:
        from leaveby.errors import STOPPED, STOPPED_WORDS

        if sys.stderr is not None:
            sys.stderr.write(f"{STOPPED_WORDS}\n")
        return STOPPED


if __name__ == "__main__":
    sys.exit(main())
