"""``python -m planner`` is the command ``planner``."""

from planner.cli import main

if __name__ == "__main__":
    main()
