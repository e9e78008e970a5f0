"""`nonreturn`, and `python -m service`: what service/cli/command.py does.

Reading that in takes a moment, in which Ctrl-C just ends the process; from then on the command answers it itself.
"""

import signal


def main() -> None:
    """Run the command."""
    # Where the process was started in the background, Ctrl-C is ignored, and stays so.
    answered = signal.getsignal(signal.SIGINT)
    if answered is signal.default_int_handler:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from service.cli import command  # noqa: PLC0415 - see above

    signal.signal(signal.SIGINT, answered)
    command.main()


if __name__ == "__main__":
    main()
