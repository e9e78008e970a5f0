"""`sh deploy/strength COMMAND [OPTIONS]`: how strong the tests are, and what the service takes without falling over."""

import argparse
import importlib
import sys

COMMANDS = {
    "schema": "asks the served contract tens of thousands of times, rightly and wrongly",
    "fuzz": "hands the parsers a million inputs, most of them broken",
    "mutation": "changes the rules in small ways and counts how many changes the tests notice",
}


def main() -> int:
    """Run the command that was named."""
    made = argparse.ArgumentParser(prog="sh deploy/strength", description=__doc__)
    commands = made.add_subparsers(dest="command", required=True)
    for name, what in COMMANDS.items():
        importlib.import_module(f"tests.strength.{name}").arguments(commands.add_parser(name, help=what, description=what))
    options = made.parse_args()
    return int(importlib.import_module(f"tests.strength.{options.command}").run(options))


if __name__ == "__main__":
    sys.exit(main())
