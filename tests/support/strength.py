"""`sh deploy/strength COMMAND [OPTIONS]`: how strong the tests are, and what the service takes without falling over."""

import argparse
import importlib
import sys

COMMANDS = {
    "schema": "asks the served contract tens of thousands of times, rightly and wrongly",
    "fuzz": "hands the parsers a million inputs, most of them broken",
    "mutation": "changes the rules in small ways and counts how many changes the tests notice",
    "cost": "looks for the dearest answer to a body within the limit",
    "data": "changes each number of the data by one step and counts how many changes a test other than a pin notices",
}


def main() -> int:
    """Run the command that was named."""
    made = argparse.ArgumentParser(prog="sh deploy/strength", description=__doc__)
    made.add_argument("command", choices=COMMANDS, help="; ".join(f"{name}: {what}" for name, what in COMMANDS.items()))
    command = made.parse_args(sys.argv[1:2]).command
    # Only the command's own module is imported: mutants are tried in processes that have not imported the rules.
    folder = "mutation" if command in ("mutation", "data") else "fuzzing"
    module = importlib.import_module(f"tests.{folder}.{command}")
    own = argparse.ArgumentParser(
        prog=f"sh deploy/strength {command}", description=module.__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    module.arguments(own)
    return int(module.run(own.parse_args(sys.argv[2:])))


if __name__ == "__main__":
    sys.exit(main())
