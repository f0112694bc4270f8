"""The answer of a derivation as one hash, so that a faster wrong answer is seen."""

import hashlib
import json
import subprocess
import sys
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from linedays.run.derive import Derivation
from support.generator import AT, ZONE

Row = tuple[str, str, str, int]


def from_derivation(derivation: Derivation) -> str:
    """Hash the state and due instant of every item of every dressing site."""
    return _hash(
        (state.site.key, item.item, str(item.state), item.due or 0)
        for result in derivation.results
        for state in result.states
        for item in state.items
    )


def from_command(folder: Path) -> str:
    """Hash the same as `linedays lines` prints it for the same files."""
    command = [str(Path(sys.executable).with_name("linedays")), "lines", str(folder), "--at", AT, "--zone", ZONE, "--format", "json"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return _hash(
        (site["dressing_site"], item["item"], item["state"], _instant(item["due"]))
        for site in json.loads(done.stdout)["dressing_sites"]
        for item in site["items"]
    )


def _instant(text: str | None) -> int:
    return int(datetime.fromisoformat(text).timestamp()) if text else 0


def _hash(rows: Iterable[Row]) -> str:
    return hashlib.sha256(repr(sorted(rows)).encode()).hexdigest()[:16]
