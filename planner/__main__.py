"""The command ``planner``, also as ``python -m planner``: ready for Ctrl-C from the first moment."""

import sys


def main() -> None:
    """Run the command line; Ctrl-C while it is still being loaded ends it in a sentence too."""
    try:
        from planner.cli import main as run

        run()
    except KeyboardInterrupt:
        print("Stopped. Nothing was written.", file=sys.stderr)
        sys.exit(130)


if __name__ == "__main__":
    main()
