"""Listings and explanations → tables for people: in order of urgency, words before colours.

Writes to the console only.
"""

from collections.abc import Iterable
from typing import Any

import orjson
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from linedays.run.worklist import Row

Json = dict[str, Any]
# Columns of short words that are not broken, however narrow the terminal.
WHOLE = frozenset({"state", "read", "used", "issues", "priority", "month", "urgency", "bed", "due at"})


def print_json(console: Console, data: object) -> None:
    """Print plain data as JSON: nothing but JSON, whatever the terminal."""
    console.out(orjson.dumps(data, option=orjson.OPT_INDENT_2).decode(), highlight=False)


def table(title: str, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> Table:
    """Return a plain table; an empty cell stands for "nothing charted"."""
    made = Table(
        title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False, title_style="bold", header_style="bold"
    )
    for column in columns:
        made.add_column(column, overflow="fold", no_wrap=column in WHOLE)
    for row in rows:
        made.add_row(*("" if cell is None else shown(str(cell)) for cell in row))
    return made


def shown(text: str) -> str:
    """Return a charted text without characters that a terminal would obey."""
    return "".join(character if character.isprintable() or character == "\n" else " " for character in text)


def print_worklist(console: Console, rows: Iterable[Row], title: str) -> None:
    """Print what a nurse would see."""
    columns = ("state", "what", "due", "patient", "line", "unit", "why")
    console.print(table(title, columns, ((r.state, r.what, r.due, r.patient, r.line, r.unit, r.why) for r in rows)))


def print_dwell(console: Console, lines: list[Json], with_ended: bool) -> None:
    """Print how long each line has been in place and, apart from it, the patient's line day number."""
    rows = (
        (line["line"], line["kind"], line["whereabouts"], line["start"]["earliest"], *_counts(line))
        for line in lines
        if with_ended or line["whereabouts"] == "in place"
    )
    columns = ("line", "kind", "where", "in place since", "dwell (h)", "line day", "eligible")
    console.print(table("Dwell per line, and the patient's line day number (central lines)", columns, rows))


def _counts(line: Json) -> tuple[str, str, str]:
    hours = "" if line["dwell_hours"] is None else f"{line['dwell_hours']:.1f}"
    number = line["line_day_number"]
    eligible = {True: "yes", False: "no", None: ""}[line["line_day_eligible"]]
    return (
        f"at least {hours}" if line["dwell_at_least"] and hours else hours,
        "" if number is None else str(number),
        eligible,
    )


def print_tally(console: Console, read: Iterable[Json]) -> None:
    """Print what became of every resource read."""
    rows = (
        (row["type"], row["read"], row["used"], sum(row["ignored"].values()), row["issues"], _rules(row["ignored"]))
        for row in read
    )
    columns = ("resources", "read", "used", "ignored", "issues", "ignored by rule")
    console.print(table("Read = used + ignored + issues", columns, rows))


def _rules(ignored: dict[str, int]) -> str:
    return ", ".join(f"{rule} {count}" for rule, count in ignored.items())


def print_issues(console: Console, issues: list[Json], most: int) -> None:
    """Print the input that was not used, or not as charted, with the reason."""
    if not issues:
        return
    rows = ((issue["kind"], issue["source"], issue["text"]) for issue in issues[:most])
    more = f" (the first {most} of {len(issues)}; --format json lists all)" if len(issues) > most else ""
    console.print(table(f"Input not used, or not as charted: {len(issues)}{more}", ("issue", "resource", "why"), rows))


def print_explanation(console: Console, found: Json) -> None:
    """Print one line's timeline, items and instants."""
    console.print(
        f"{found['line']} · {found['kind']} · {found['whereabouts']} · at {found['at']}, known by {found['known_by']}"
    )
    console.print(f"allergies of this patient: {'; '.join(found['allergies'])}", soft_wrap=True)
    columns = ("happened", "entered", "fact", "says", "resource", "used", "why")
    names = ("happened", "known", "fact", "says", "source", "used", "why")
    console.print(table("Timeline", columns, ([row[name] for name in names] for row in found["timeline"])))
    for item in found["items"]:
        rows = [("state", item["state"]), ("reason", item["reason"]), ("rule", item["rule"])]
        rows += [("assumed", text) for text in item["assumed"]]
        rows += [("beside", text) for text in item["beside"]]
        rows += [(name, f"{times['local']} ({times['iso']})") for name, times in item["instants"].items()]
        console.print(table(item["item"], ("", ""), rows))
    if found["not_placed"]:
        rows3 = ((row["kind"], row["source"], row["why"]) for row in found["not_placed"])
        console.print(table("May be about this line, not used", ("issue", "resource", "why"), rows3))
    print_cautions(console, found["cautions"])


def print_cautions(console: Console, cautions: Iterable[str]) -> None:
    """Print the cautions that go with every output."""
    for caution in cautions:
        console.print(caution, style="italic")
