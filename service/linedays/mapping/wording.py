"""The wording file and structured reasons → sentences in a unit's own time. No I/O.

A reason is rendered only when someone asks for its words; its code and values are what is compared and stored.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo

from pydantic import Field

from linedays.core.model import Reason
from linedays.core.moment import Instant, Precision
from linedays.core.policy import Policy
from linedays.mapping.documents import Document, Documents, PolicyInvalid, Problem
from linedays.mapping.entries import Entry
from linedays.mapping.explain import source_in_words
from linedays.mapping.fields import Text
from linedays.mapping.shapes import Shape

FILE = "outputs.yaml"
_PLACE = re.compile(r"\{([a-z_]+)\}")
_ALLOWED = frozenset(
    "basis anchor kind due rule since from seen at findings why until review minutes suggested window".split()
)


class WordingShape(Shape):
    """The wording file."""

    cautions: list[Text] = Field(min_length=1, description="a list of sentences")
    stat_caution: Text = Field(description="a sentence")
    items: dict[str, Text] = Field(description="item: title")
    basis: dict[str, dict[str, Text]] = Field(description="item: basis: words")
    reasons: dict[str, Text] = Field(description="reason: sentence")
    after_change: Text = Field(description="a sentence")
    suggested: Text = Field(description="a sentence")
    seen: Text = Field(description="a sentence")
    not_seen: Text = Field(description="a sentence")
    due_before: Text = Field(description="a sentence")
    words: dict[str, Text] = Field(description="code: words")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wording:
    """Every text we can say, and the rules by id as "text: source"."""

    shape: WordingShape
    rules: Mapping[str, str]

    @property
    def cautions(self) -> tuple[str, ...]:
        """The cautions that go with every output."""
        return tuple(self.shape.cautions)


def wording_from_documents(documents: Documents, policy: Policy) -> Wording:
    """Return the wording.

    Raises: PolicyInvalid with every problem found in the file.
    """
    found = documents.named(FILE)
    of_file = [problem for problem in documents.problems if problem.file == FILE]
    if found is None:
        raise PolicyInvalid(of_file or [Problem(file=FILE, line=1, what="no wording file", expected=FILE)])
    shape = Entry(found, (), found.data).read(WordingShape)
    if isinstance(shape, list):
        raise PolicyInvalid([*of_file, *shape])
    problems = [*of_file, *_unknown_places(shape, found)]
    if problems:
        raise PolicyInvalid(problems)
    return Wording(shape=shape, rules={rule.id: f"{rule.text}: {source_in_words(rule.source)}" for rule in policy.rules})


def _unknown_places(shape: WordingShape, document: Document) -> Iterable[Problem]:
    for code, text in shape.reasons.items():
        for name in _PLACE.findall(text):
            if name not in _ALLOWED:
                known = "one of: " + ", ".join(sorted(_ALLOWED))
                yield document.problem(("reasons", code), f"nothing is called {{{name}}}", known)


def time_words(at: Instant, zone: tzinfo, precision: str = Precision.SECOND) -> str:
    """Return an instant in a unit's own time, as exactly as it was charted."""
    when = datetime.fromtimestamp(at, zone)
    match precision:
        case Precision.YEAR:
            return f"{when:%Y}"
        case Precision.MONTH:
            return f"{when:%b} {when:%Y}"
        case Precision.DAY:
            return f"{when:%a} {when.day} {when:%b %Y}"
        case _:
            return f"{when:%a} {when.day} {when:%b %Y %H:%M}"


def sentence(reason: Reason, wording: Wording, zone: tzinfo, item: str = "dressing-change") -> str:
    """Return a reason as one sentence, with what was charted soon after a change and what is suggested added."""
    values = dict(reason.values)
    said = [_filled(wording.shape.reasons[reason.code], values, wording, zone, item)]
    if "minutes" in values:
        said.append(_filled(wording.shape.after_change, values, wording, zone, item))
    if "suggested" in values:
        said.append(_filled(wording.shape.suggested, values, wording, zone, item))
    return " · ".join(said)


def _filled(text: str, values: Mapping[str, str | int], wording: Wording, zone: tzinfo, item: str) -> str:
    def fill(match: re.Match[str]) -> str:
        return _said(match[1], values, wording, zone, item)

    return _PLACE.sub(fill, text)


def _said(name: str, values: Mapping[str, str | int], wording: Wording, zone: tzinfo, item: str) -> str:
    value = values.get(name, "")
    precision = str(values.get("precision", Precision.SECOND))
    match name:
        case "basis":
            return wording.shape.basis.get(item, wording.shape.basis["dressing-change"])[str(value)]
        case "rule":
            return wording.rules.get(str(value), str(value))
        case "findings":
            return ", ".join(words_for(word, wording) for word in str(value).split())
        case "anchor" | "from" | "at" if isinstance(value, int):
            return time_words(value, zone, precision)
        case _ if isinstance(value, int):
            return time_words(value, zone)
        case _:
            return words_for(str(value), wording)


def words_for(code: str, wording: Wording) -> str:
    """Return the words of a code; a code without words stands for itself."""
    return wording.shape.words.get(code, code)


def plain(text: str, wording: Wording, zone: tzinfo, **values: str | int) -> str:
    """Return one of the short texts of the wording file, filled in."""
    return _filled(text, values, wording, zone, "dressing-change")
