"""The command line → one command carried out, its answer printed, and an exit code. I/O through run and the console only."""

import sys
from argparse import Namespace

from rich.console import Console

from linedays.cli.arguments import parser
from linedays.cli.commands import Answer, explain, lines, policy
from linedays.run.errors import exit_code_of

DONE, LOOK, USAGE, POLICY, SERVER = 0, 1, 2, 3, 4


def main(argv: list[str] | None = None) -> int:
    """Carry out one command. Returns the exit code that `linedays --help` explains."""
    arguments = parser().parse_args(argv)
    console = Console(soft_wrap=False)
    try:
        return _carried_out(arguments, console)
    except KeyboardInterrupt:
        Console(stderr=True).print("interrupted; run it again, nothing is written twice")
        return USAGE
    except Exception as error:  # noqa: BLE001 - the one place where an error becomes words and an exit code
        code = exit_code_of(error)
        if code is None:
            raise
        Console(stderr=True, soft_wrap=True).print(str(error), markup=False, highlight=False)
        return code


def _carried_out(arguments: Namespace, console: Console) -> Answer:
    match arguments.command:
        case "lines":
            return lines(arguments, console)
        case "explain":
            return explain(arguments, console)
        case "policy":
            return policy(arguments, console)
        case _:
            from linedays.cli.sweeps import demo, sweep  # the FHIR server is needed by these two only

            return sweep(arguments, console) if arguments.command == "sweep" else demo(arguments, console)


if __name__ == "__main__":
    sys.exit(main())
