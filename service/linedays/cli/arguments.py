"""The words of the command line. No I/O."""

import argparse
from pathlib import Path

from linedays import __version__

EXIT_CODES = """\
exit codes:
  0  done
  1  done, and something needs a look: a policy example failed, a write was refused or held, the second sweep wrote
     something
  2  the command cannot be carried out as written: a setting, file, line or time is missing or wrong
  3  the mapping files do not make a policy; every problem is listed with file and line
  4  the FHIR server or the store could not be reached or did not answer as it should, or another process writes to
     this record system; nothing was derived from a partial reading, and a sweep that was cut off can be run again
  5  nothing was written, and a person has to look first: it would be the first writing sweep on this record system
     (--first), or what would be written is not what was looked at (--expect)
  130  interrupted from the keyboard
"""
CAUTION = "linedays informs, it never orders. Local policy, the maker's instructions and licensed practice decide."


def parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    top = argparse.ArgumentParser(
        prog="linedays",
        description="Works out per vascular access line what is due, overdue, compromised or unknown, and its line "
        f"days. {CAUTION}",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"linedays {__version__}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _lines(
        commands.add_parser(
            "lines", help="every line and dressing site: states, due times, reasons, dwell, day number, issues"
        )
    )
    _explain(
        commands.add_parser(
            "explain", help="one line: its timeline, each fact used or not and why, each rule, each instant"
        )
    )
    _sweep(
        commands.add_parser(
            "sweep", help="read, derive, and write Task, Flag and Observation; a dry run unless --apply"
        )
    )
    _policy(commands.add_parser("policy", help="check the policy, or show every rule in plain words with its source"))
    _demo(commands.add_parser("demo", help="a made-up hospital on a FHIR server on this machine, swept three times"))
    return top


def _settings(command: argparse.ArgumentParser) -> None:
    command.add_argument("--zone", help="IANA name of the hospital's time zone (else LINEDAYS_ZONE; required)")
    command.add_argument("--source", help="source map in mappings/sources (else LINEDAYS_SOURCE; default: reference)")
    command.add_argument(
        "--mappings", type=Path, help="folder of the mappings (else LINEDAYS_MAPPINGS; default: the packaged ones)"
    )
    _format(command)


def _format(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--format", choices=("table", "json"), default="table", help="table for people, json for programs"
    )


def _times(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--at", help="the moment asked about, ISO 8601, in local time where it has no offset (default: this moment)"
    )
    command.add_argument("--known-by", help="only what was known by then counts (default: the moment asked about)")


def _lines(command: argparse.ArgumentParser) -> None:
    _input(command)
    _settings(command)
    _times(command)
    command.add_argument("--all", action="store_true", help="also print lines that are not due or have ended")


def _input(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "path", nargs="?", type=Path, help="a folder or file of NDJSON, Bundles or single resources, plain or gzip"
    )
    command.add_argument("--fhir", metavar="URL", help="a FHIR R4 server to read from instead")


def _explain(command: argparse.ArgumentParser) -> None:
    command.add_argument("line", metavar="LINE", help="the key of a line, such as Device/…")
    command.add_argument("--from", dest="path", type=Path, help="a folder or file of resources")
    command.add_argument("--fhir", metavar="URL", help="a FHIR R4 server to read from instead")
    _settings(command)
    _times(command)


def _sweep(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--from", dest="path", type=Path, help="a folder or file of resources: shows what would be written"
    )
    command.add_argument("--fhir", metavar="URL", help="the FHIR R4 server to read from and, with --apply, to write to")
    command.add_argument(
        "--apply", action="store_true", help="write; without it nothing is written (needs LINEDAYS_STORE)"
    )
    command.add_argument(
        "--first", action="store_true", help="with --apply: the first writing sweep, whose preview was looked at"
    )
    command.add_argument(
        "--expect", metavar="PREVIEW", help="with --apply: write only where the preview is still this one"
    )
    command.add_argument(
        "--release",
        action="append",
        choices=("creates", "closes"),
        default=[],
        help="with --apply: let through, in this one sweep, what is held for being far more than usual",
    )
    _settings(command)
    command.add_argument("--at", help="the moment asked about (default: this moment)")


def _policy(command: argparse.ArgumentParser) -> None:
    actions = command.add_subparsers(dest="action", required=True, metavar="ACTION")
    for name, text in (
        ("check", "every problem at once, with file and line; runs the worked examples"),
        ("show", "every rule in plain words with its source"),
    ):
        action = actions.add_parser(name, help=text)
        action.add_argument("--mappings", type=Path, help="folder of the mappings (default: the packaged ones)")
        _format(action)


def _demo(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--fhir",
        metavar="URL",
        help="any other FHIR R4 server, empty and for tests only (default: one on this machine)",
    )
    command.add_argument("--keep", action="store_true", help="leave the server up until Ctrl-C")
    command.add_argument("--at", help="the moment the demo takes place (default: the one the hospital is told at)")
