"""One line of a derivation → its timeline with what was used and why, its items, and each instant. No I/O."""

from datetime import tzinfo
from typing import Any

from linedays.core.model import Fact, Person, Timeline
from linedays.core.moment import Instant, Moment
from linedays.core.states import ItemState, SiteState
from linedays.mapping.wording import Wording, sentence, time_words, words_for
from linedays.run.derive import Derivation, Instance
from linedays.run.listing import Json, allergy_words, iso


class NoSuchLine(LookupError):
    """No line has that key."""


def find_line(derivation: Derivation, key: str) -> tuple[SiteState, Timeline]:
    """Return a line by its key, or by any other resource that speaks of it, with its dressing site's state.

    Raises: NoSuchLine.
    """
    for result in derivation.results:
        for state in result.states:
            for timeline in state.site.timelines:
                if key in timeline.line.names:
                    return state, timeline
    raise NoSuchLine(f"no line is called {key}: `linedays lines` lists the keys, such as Device/… or Procedure/…")


def explanation(derivation: Derivation, key: str, instance: Instance, wording: Wording) -> Json:
    """Return what is known of one line, fact by fact, and how its items came to their states.

    Raises: NoSuchLine.
    """
    state, timeline = find_line(derivation, key)
    zone = state.zone or instance.zone
    where = state.line_whereabouts[state.site.timelines.index(timeline)]
    return {
        "line": timeline.line.key,
        "kind": timeline.line.kind,
        "whereabouts": str(where),
        "allergies": allergy_words(_person(derivation, timeline.line.patient)),
        "at": iso(derivation.at, zone),
        "known_by": iso(derivation.known_by, zone),
        "dressing_site": state.site.key,
        "under_one_dressing": [other.line.key for other in state.site.timelines],
        "timeline": _rows(timeline, state, zone, wording),
        "not_placed": [
            {"source": issue.source, "kind": str(issue.kind), "why": issue.text}
            for issue in derivation.issues
            if timeline.line.key in issue.lines and all(issue is not told for _, told in timeline.unused)
        ],
        "items": [_item(item, zone, wording) for item in (*state.items, *((state.concern,) if state.concern else ()))],
        "cautions": list(wording.cautions),
    }


def _person(derivation: Derivation, patient: str) -> Person:
    return next(result.chart.person for result in derivation.results if result.chart.person.id == patient)


def _rows(timeline: Timeline, state: SiteState, zone: tzinfo, wording: Wording) -> list[Json]:
    anchors = {item.anchor.source: item.item for item in state.items if item.anchor is not None}
    standing = {finding.source for item in (*state.items, state.concern) if item for finding in item.findings}
    rows = [_row(fact, "used", _role(fact, anchors, standing, state.at), zone, wording) for fact in timeline.facts]
    rows += [_row(fact, "not used", issue.text, zone, wording) for fact, issue in timeline.unused]
    return sorted(rows, key=lambda row: (row["sort"], row["source"]))


def _role(fact: Fact, anchors: dict[str, str], standing: set[str], at: Instant) -> str:
    if fact.happened.earliest > at:
        return "later than the moment asked about"
    if fact.source in anchors:
        return f"the {anchors[fact.source]} counts from it"
    if fact.source in standing:
        return "stands: nothing charted has cleared it"
    return "on the timeline"


def _row(fact: Fact, used: str, why: str, zone: tzinfo, wording: Wording) -> dict[str, Any]:
    said = [words_for(word, wording) for word in (*fact.findings, *((fact.value,) if fact.value else ()))]
    return {
        "sort": fact.happened.earliest,
        "happened": _when(fact.happened, zone),
        "known": time_words(fact.known, zone),
        "fact": str(fact.kind),
        "says": ", ".join(said),
        "source": fact.source,
        "used": used,
        "why": why,
    }


def _when(moment: Moment, zone: tzinfo) -> str:
    return time_words(moment.earliest, zone, moment.precision)


def _item(item: ItemState, zone: tzinfo, wording: Wording) -> Json:
    instants = {
        "counts from": item.anchor.at if item.anchor else None,
        "window from": item.window_from,
        "due": item.due,
        "overdue from": item.overdue_from,
        "next change": item.next_change,
        "last seen intact": item.last_seen_intact,
    }
    return {
        "item": item.item,
        "state": str(item.state),
        "reason": sentence(item.reason, wording, zone, item.item),
        "rule": wording.rules.get(item.rule or "", item.rule),
        "assumed": [sentence(reason, wording, zone, item.item) for reason in item.assumed],
        "beside": [sentence(reason, wording, zone, item.item) for reason in item.beside],
        "instants": {
            name: {"local": time_words(at, zone), "iso": iso(at, zone)} for name, at in instants.items() if at
        },
    }
