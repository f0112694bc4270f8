"""The part of outputs.yaml about derived Observations: whether they are written, how far back, their words. No I/O."""

import re
from collections.abc import Iterable

from pydantic import Field

from linedays.core.derived_values import Absent, Bound, ValueKind
from linedays.core.model import StartBasis
from linedays.mapping.documents import Document, Problem
from linedays.mapping.fields import DURATION_EXPECTED, TRUTH_EXPECTED, Duration, Text
from linedays.mapping.shapes import Sourced

SECTION = "observations"
_PLACE = re.compile(r"\{([a-z_]*)\}")
_ALLOWED = frozenset({"basis", "from", "counted", "rule"})
_WORDS = "code: words"


class ObservationsShape(Sourced):
    """What is written for analysts, and in which words."""

    written: bool = Field(description=TRUTH_EXPECTED)
    look_back: Duration = Field(ge=0, description=DURATION_EXPECTED)
    titles: dict[str, Text] = Field(description="kind of value: its name")
    placed: dict[str, Text] = Field(description="how the line came: words")
    notes: dict[str, Text] = Field(description="kind of value: how it was counted")
    absent: dict[str, Text] = Field(description=_WORDS)
    bounds: dict[str, Text] = Field(description=_WORDS)
    unclear_kind: Text = Field(description="a sentence")


def value_problems(shape: ObservationsShape, document: Document) -> Iterable[Problem]:
    """Return where a word is missing, or stands for nothing, or a text names what it cannot be filled with."""
    bounds = {bound.name.lower().replace("_", "-") for bound in Bound if bound.value}
    counted = set(ValueKind) - {ValueKind.UPKEEP_STATE}
    expected: tuple[tuple[str, dict[str, str], set[str]], ...] = (
        ("titles", shape.titles, set(ValueKind)),
        ("placed", shape.placed, set(StartBasis)),
        ("notes", shape.notes, {str(kind) for kind in counted}),
        ("absent", shape.absent, set(Absent)),
        ("bounds", shape.bounds, bounds),
    )
    for name, words, codes in expected:
        for code in sorted(codes - words.keys()):
            yield document.problem((SECTION, name), f"no words for {str(code)!r}", "words for each of them")
        for code in sorted(words.keys() - codes):
            known = "one of: " + ", ".join(sorted(map(str, codes)))
            yield document.problem((SECTION, name, code), f"nothing is called {code!r}", known)
    for code, text in shape.notes.items():
        for place in _PLACE.findall(text):
            if place not in _ALLOWED:
                known = "one of: " + ", ".join(sorted(_ALLOWED))
                yield document.problem((SECTION, "notes", code), f"nothing is called {{{place}}}", known)
