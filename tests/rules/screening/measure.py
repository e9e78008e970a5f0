"""Prints how often each screen points out honest work, and how often what it is meant to find: `python -m tests.rules.screening.measure [N]`.

N is the number of honest programmes (of a tenth as many for each kind of dishonesty). The stated figures are in `rules/data/screening.toml`.
"""

import sys

from rules.screening import stated
from tests.rules.screening.simulated import hits, honest_counts


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    alarms, units = honest_counts(range(count))
    lines = [f"{'screen':22} {'honest: pointed out':>22} {'at most':>8}   {'dishonest: found':>18} {'at least':>8}"]
    found = {screen: hits(screen, range(10_000, 10_000 + max(10, count // 10))) for screen in stated()}
    for screen, of in units.items():
        one = stated()[screen]
        lines.append(
            f"{screen:22} {f'{alarms[screen]} of {of}':>22} {one.false_alarms:8.3f}   "
            f"{f'{found[screen][0]} of {found[screen][1]}':>18} {one.power:8.2f}"
        )
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
