"""The command line → one command carried out, its answer printed, and an exit code.

I/O through run and the console only.
"""

from argparse import Namespace

from rich.console import Console

from linedays.cli.arguments import parser
from linedays.cli.commands import Answer, explain, lines, policy
from linedays.run.errors import exit_code_of

INTERRUPTED = 130


def main(argv: list[str] | None = None) -> int:
    """Carry out one command. Returns the exit code that `linedays --help` explains."""
    arguments = parser().parse_args(argv)
    # What is charted is never read as markup: a ward may be called "[/north]".
    console, aside = (Console(markup=False, emoji=False, highlight=False, stderr=stderr) for stderr in (False, True))
    try:
        return _carried_out(arguments, console)
    except KeyboardInterrupt:
        aside.print("interrupted; run it again, nothing is written twice", soft_wrap=True)
        return INTERRUPTED
    except Exception as error:
        code = exit_code_of(error)
        if code is None:
            raise
        aside.print(str(error), soft_wrap=True)
        return code


def _carried_out(arguments: Namespace, console: Console) -> Answer:
    match arguments.command:
        case "lines":
            return lines(arguments, console)
        case "explain":
            return explain(arguments, console)
        case "policy":
            return policy(arguments, console)
        case "sweep":
            from linedays.cli.sweep_command import sweep  # the FHIR server is needed by the last two only

            return sweep(arguments, console)
        case _:
            from linedays.cli.demo_command import demo

            return demo(arguments, console)
