"""The shipped mappings with another interval of transparent dressings from 14 May 2031 on, wired. Writes into a folder given."""

import shutil
from datetime import datetime, timedelta
from pathlib import Path

from linedays.run.wiring import Wired
from support.policy_files import FOLDER, replaced
from support.small_ward import wired

SOURCE = "        source: CDC-2011, Catheter Site Dressing Regimens rec. 7, Cat IB; INS-2024 Std 39\n"
VALUE = """      - since: 2031-05-14
        interval: {days} d
        basis: elapsed
        grace: 0 h
        source: made up for a test
"""
# The policy is refused without a worked example on either side of the threshold.
EXAMPLE = """
  - id: transparent-made-up-interval
    rule: dressing-transparent
    line_kind: picc
    facts:
      - {{what: inserted, when: 2031-06-01T09:00:00Z, dressing: transparent}}
    due: {due:%Y-%m-%d}T09:00:00Z
    expect:
      - {{at: {due:%Y-%m-%d}T08:59:59Z, state: window open}}
      - {{at: {due:%Y-%m-%d}T09:00:01Z, state: overdue}}
"""


def with_interval(days: int, folder: Path) -> Wired:
    """Return the shell wired with a policy under which a transparent dressing lasts `days` from 14 May 2031 on."""
    mappings = folder / f"every-{days}-d"
    shutil.copytree(FOLDER, mappings)
    rules, examples = "policy/dressing_rules.yaml", "policy/examples/dressings.yaml"
    (mappings / rules).write_text(replaced(rules, (SOURCE, SOURCE + VALUE.format(days=days))), encoding="utf-8")
    with (mappings / examples).open("a", encoding="utf-8") as file:
        file.write(EXAMPLE.format(due=datetime(2031, 6, 1) + timedelta(days=days)))  # noqa: DTZ001
    return wired(mappings=mappings)
