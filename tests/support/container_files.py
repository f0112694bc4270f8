"""Reads service/Dockerfile, .dockerignore and docker-compose.yml into plain values. Reads these files and the names of the tree.

Only what these three files use: instructions with joined lines, heredocs and parser directives left out; the matching of
.dockerignore as Docker's reference describes it (from memory): the last pattern that matches a path or a folder above it
decides, `!` takes back, `*` ends at a slash, `**` does not.
"""

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).parents[2]
DOCKERFILE = ROOT / "service" / "Dockerfile"
COMPOSE = ROOT / "docker-compose.yml"


@dataclass(frozen=True)
class Stage:
    """One stage of the Dockerfile: its image, and its instructions as pairs of a word and the rest."""

    image: str
    name: str | None
    instructions: tuple[tuple[str, str], ...]

    def all(self, word: str) -> list[str]:
        """Return what follows each instruction of that word, in order."""
        return [rest for each, rest in self.instructions if each == word]


@dataclass(frozen=True)
class Copied:
    """One COPY: where from (None is the build context), what, and where to."""

    stage: str | None
    sources: tuple[str, ...]
    target: str


def instructions_of(text: str) -> list[tuple[str, str]]:
    """Return the instructions of a Dockerfile, comments left out and continued lines joined."""
    kept = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))
    lines = re.sub(r"\\\n\s*", " ", kept).splitlines()
    pairs = [line.split(None, 1) for line in lines if line.strip()]
    return [(word.upper(), rest.strip()) for word, rest in pairs]


@cache
def stages() -> tuple[Stage, ...]:
    """Return the stages of our Dockerfile."""
    found: list[tuple[str, list[tuple[str, str]]]] = []
    for word, rest in instructions_of(DOCKERFILE.read_text(encoding="utf-8")):
        if word == "FROM":
            found.append((rest, []))
        else:
            found[-1][1].append((word, rest))
    made = []
    for rest, instructions in found:
        image, *named = re.split(r"\s+AS\s+", rest, flags=re.IGNORECASE)
        made.append(Stage(image, named[0] if named else None, tuple(instructions)))
    return tuple(made)


def copied(stage: Stage) -> list[Copied]:
    """Return what a stage copies."""
    found = []
    for rest in stage.all("COPY"):
        words = rest.split()
        origin = [word.removeprefix("--from=") for word in words if word.startswith("--from=")]
        *sources, target = [word for word in words if not word.startswith("--")]
        found.append(Copied(origin[0] if origin else None, tuple(sources), target))
    return found


def compose() -> dict[str, Any]:
    """Return docker-compose.yml, its variables as they are written."""
    return yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))


def ignore_patterns() -> list[str]:
    """Return the patterns of our .dockerignore, in their order."""
    lines = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    return [line.strip() for line in lines if line.strip() and not line.startswith("#")]


def is_ignored(path: str, patterns: list[str]) -> bool:
    """Return whether a path of the build context is left out of it."""
    parts = path.split("/")
    above = ["/".join(parts[:count]) for count in range(1, len(parts) + 1)]
    ignored = False
    for pattern in patterns:
        expression = _expression(pattern.removeprefix("!").strip("/"))
        if any(expression.fullmatch(each) for each in above):
            ignored = not pattern.startswith("!")
    return ignored


def _expression(pattern: str) -> re.Pattern[str]:
    found = re.split(r"(\*\*/|\*\*|\*|\?)", pattern)
    wild = {"**/": "(?:.*/)?", "**": ".*", "*": "[^/]*", "?": "[^/]"}
    return re.compile("".join(wild.get(each) or re.escape(each) for each in found))


def context_files(source: str) -> list[str]:
    """Return the files that a COPY from the build context takes, by their path in it."""
    start = ROOT / source
    files = [start] if start.is_file() else [path for path in start.rglob("*") if path.is_file()]
    names = sorted(path.relative_to(ROOT).as_posix() for path in files)
    return [name for name in names if not is_ignored(name, ignore_patterns())]
