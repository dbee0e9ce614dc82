"""``python -m robokit_plan``: the same as ``robokit-plan``."""

from robokit_plan.cli import main

if __name__ == "__main__":
    main()
