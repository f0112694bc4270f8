"""The wording file and structured reasons → sentences in a unit's own time. No I/O.

A reason is rendered only when someone asks for its words; its code and values are what is compared and stored.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo

from pydantic import Field

from linedays.core.moment import Instant, Precision
from linedays.core.policy import Policy
from linedays.core.states import AnchorBasis, ItemState, Reason, State
from linedays.mapping.documents import Document, Documents, NodePath, PolicyInvalid, Problem
from linedays.mapping.entries import Entry
from linedays.mapping.explain import source_in_words
from linedays.mapping.fields import Text
from linedays.mapping.shapes import Shape
from linedays.mapping.value_wording import ObservationsShape, value_problems

FILE = "outputs.yaml"
_PLACE = re.compile(r"\{([a-z_]+)\}")
_ALLOWED = frozenset(
    {
        "basis", "anchor", "kind", "due", "rule", "since", "from", "seen", "at", "findings", "why", "until",
        "review", "minutes", "suggested", "window", "count", "entries", "what", "soon",
    }
)
# Every reason that the core gives; one without a sentence would be found only when a patient has it.
REASONS = frozenset(
    {
        "interval", "interval-of-a-part", "also-seen", "interval-kind-not-charted",
        "unknown-kind", "unknown-no-date", "unknown-since-arrival",
        "unknown-coarse-date", "unknown-not-seen", "unknown-never-seen", "unknown-used-after-removal",
        "seen-within", "due-undated", "compromised", "compromised-since-intact", "site-concern", "deferred",
        "deferred-refused-again", "paused", "paused-leave", "pause-not-reviewed", "not-required-kind",
        "not-required-healed", "not-required-port", "not-required-incision", "label-undated", "order-unknown",
        "said-to-be-gone",
        "assumed-first-dressing", "assumed-ask", "assumed-usual", "assumed-nothing",
    }
)
# The items that a Task is about in any policy, with the states in which it can be written.
TITLED = {
    "chart-the-removal": ("due", "unknown"),
    "dressing-change": ("not due", "window open", "due", "overdue", "unknown", "compromised"),
    "site-assessment": ("due",),
}


class WordingShape(Shape):
    """The wording file."""

    cautions: list[Text] = Field(min_length=1, description="a list of sentences")
    stat_caution: Text = Field(description="a sentence")
    absent: dict[str, dict[str, Text]] = Field(description="resource: element: why it is left out")
    items: dict[str, Text] = Field(description="item: name")
    titles: dict[str, dict[str, Text]] = Field(description="item: state or reason: title")
    title_concern: Text = Field(description="a few words")
    title_part: dict[str, Text] = Field(description="state: title of a part that has no titles of its own")
    allergies: Text = Field(description="a sentence")
    no_allergies_known: Text = Field(description="a sentence")
    no_allergies_charted: Text = Field(description="a sentence")
    reminder: Text = Field(description="a sentence")
    again: Text = Field(description="a sentence")
    again_done: Text = Field(description="a sentence")
    together: Text = Field(description="a sentence")
    together_due: Text = Field(description="a sentence")
    basis: dict[str, dict[str, Text]] = Field(description="item: basis: words")
    reasons: dict[str, Text] = Field(description="reason: sentence")
    after_change: Text = Field(description="a sentence")
    after_change_of: Text = Field(description="a sentence")
    suggested: Text = Field(description="a sentence")
    seen: Text = Field(description="a sentence")
    not_seen: Text = Field(description="a sentence")
    due_before: Text = Field(description="a sentence")
    which_line_one: Text = Field(description="a sentence")
    which_line_many: Text = Field(description="a sentence")
    which_line_row: Text = Field(description="a sentence")
    words: dict[str, Text] = Field(description="code: words")
    observations: ObservationsShape = Field(description="the section about derived Observations")


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
    problems = [*of_file, *_unknown_places(shape, found), *_missing(shape, found)]
    problems += value_problems(shape.observations, found)
    if problems:
        raise PolicyInvalid(problems)
    return Wording(
        shape=shape, rules={rule.id: f"{rule.text}: {source_in_words(rule.source)}" for rule in policy.rules}
    )


def _unknown_places(shape: WordingShape, document: Document) -> Iterable[Problem]:
    texts: dict[NodePath, str] = {("reasons", code): text for code, text in shape.reasons.items()}
    texts |= {(name,): text for name, text in shape if isinstance(text, str)}
    for path, text in texts.items():
        for name in _PLACE.findall(text):
            if name not in _ALLOWED:
                known = "one of: " + ", ".join(sorted(_ALLOWED))
                yield document.problem(path, f"nothing is called {{{name}}}", known)


def _missing(shape: WordingShape, document: Document) -> Iterable[Problem]:
    for code in sorted(REASONS - shape.reasons.keys()):
        yield document.problem(("reasons",), f"no sentence for the reason {code!r}", "a sentence for every reason")
    for item, states in TITLED.items():
        for state in states:
            if state not in shape.titles.get(item, {}):
                yield document.problem(
                    ("titles", item), f"no title for {item} that is {state}", "a title for every state"
                )
    for state in TITLED["dressing-change"]:
        if state not in shape.title_part:
            yield document.problem(("title_part",), f"no title for a part that is {state}", "a title for every state")
    for item, titles in shape.titles.items():
        for name in titles.keys() - set(State) - REASONS:
            yield document.problem(("titles", item, name), f"nothing is called {name!r}", "a state or a reason")
    for item, words in shape.basis.items():
        for basis in sorted(set(AnchorBasis) - words.keys()):
            yield document.problem(("basis", item), f"no words for the basis {basis.value!r}", "words for every basis")
    if "dressing-change" not in shape.basis:
        yield document.problem(("basis",), "no words for dressing-change", "words for what its clock counts from")


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
        hint = wording.shape.after_change_of if "soon" in values else wording.shape.after_change
        said.append(_filled(hint, values, wording, zone, item))
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


def title_words(item: ItemState, wording: Wording) -> str:
    """Return how the title of an item's Task begins: what it is about and its state."""
    titles = wording.shape.titles.get(item.item, {})
    own = titles.get(item.reason.code) or titles.get(item.state)
    if own is not None:
        return own
    name = wording.shape.items.get(item.item, item.item.replace("-", " "))
    return wording.shape.title_part[item.state].replace("{what}", name)


def words_for(code: str, wording: Wording) -> str:
    """Return the words of a code; a code without words stands for itself."""
    return wording.shape.words.get(code, code)


def plain(text: str, wording: Wording, zone: tzinfo, **values: str | int) -> str:
    """Return one of the short texts of the wording file, filled in."""
    return _filled(text, values, wording, zone, "dressing-change")
