"""A derivation → the listing that `linedays lines` prints as JSON, and that tables are made from. No I/O.

Shape: the JSON Schema with its version stands in mappings/schemas/lines-1.schema.json. Instants are ISO 8601 in the
unit's own offset. Every line is listed, also those that have ended, with where it is.
"""

from collections import defaultdict
from datetime import datetime, tzinfo
from typing import Any

from linedays.core.central import Central
from linedays.core.count_rules import Count, NoCountingRule, Stamp, rule_in_year, time_rule
from linedays.core.counted import CountBasis, counted_patient
from linedays.core.day_numbers import LineDayNumber, line_day_numbers
from linedays.core.dwell import Dwell, dwell
from linedays.core.model import Issue, Line, Person, Whereabouts
from linedays.core.moment import HOUR, Instant, Moment, local_date
from linedays.core.states import Anchor, ItemState, Reason, SiteFinding, SiteState
from linedays.mapping.wording import Wording, sentence
from linedays.run.derive import Derivation, Instance, PatientResult, TypeTally

SCHEMA = "https://linedays.example/schemas/lines-1.schema.json"
Json = dict[str, Any]
NO_ALLERGY_CHARTED = "nothing charted: ask"


def listing(derivation: Derivation, instance: Instance, wording: Wording) -> Json:
    """Return everything derived, as plain data in a stable order."""
    zone = instance.zone
    issues_of: defaultdict[str, list[Issue]] = defaultdict(list)
    for issue in derivation.issues:
        for key in issue.lines:
            issues_of[key].append(issue)
    lines: list[Json] = []
    sites: list[Json] = []
    for result in derivation.results:
        numbers = _numbers(result, derivation, instance)
        for state in result.states:
            sites.append(_site(state, wording))
            lines.extend(_lines(state, result.chart.person, numbers, issues_of, derivation, instance))
    return {
        "schema": SCHEMA,
        "at": iso(derivation.at, zone),
        "known_by": iso(derivation.known_by, zone),
        "policy": instance.policy.content_hash,
        "source_map": instance.source_map.name,
        "zone": str(zone),
        "cautions": list(wording.cautions),
        "lines": lines,
        "dressing_sites": sites,
        "read": [_tally(row) for row in derivation.tally],
        "issues": [_issue(issue) for issue in derivation.issues],
    }


def allergy_words(person: Person) -> list[str]:
    """Return what is charted of a patient's allergies, each with its resource. Nothing charted is not "none"."""
    return [f"{allergy.group} ({allergy.source})" for allergy in person.allergies] or [NO_ALLERGY_CHARTED]


def iso(at: Instant, zone: tzinfo) -> str:
    """Return an instant as ISO 8601 in a zone's offset."""
    return datetime.fromtimestamp(at, zone).isoformat()


def _iso_or_none(at: Instant | None, zone: tzinfo) -> str | None:
    return None if at is None else iso(at, zone)


def _moment(moment: Moment | None, zone: tzinfo) -> Json | None:
    if moment is None:
        return None
    return {
        "earliest": iso(moment.earliest, zone),
        "latest": iso(moment.latest, zone),
        "precision": str(moment.precision),
    }


def _numbers(result: PatientResult, derivation: Derivation, instance: Instance) -> dict[str, LineDayNumber]:
    """Return, by line, the patient's line day number of the local day asked about, for lines that count on it."""
    day = local_date(derivation.at, instance.zone)
    try:
        day_rule = rule_in_year(instance.counting.day_numbers, day.year)
    except NoCountingRule:
        # A year before the first published rule we carry: no number rather than one by another year's rule.
        return {}
    basis = CountBasis(
        counting=instance.counting,
        day_rule=day_rule,
        places=derivation.places,
        rulings=(),
        zone=instance.zone,
        known_by=derivation.known_by,
        stay_gap=instance.policy.limits.stay_gap,
    )
    counted = counted_patient(result.chart, basis)
    if not any(line.centrality.central is not Central.NO for line in counted.lines):
        return {}
    found = [number for number in line_day_numbers(counted, at=derivation.at) if number.day == day]
    return {key: number for number in found for key in number.lines}


def _lines(
    state: SiteState,
    person: Person,
    numbers: dict[str, LineDayNumber],
    issues_of: dict[str, list[Issue]],
    derivation: Derivation,
    instance: Instance,
) -> list[Json]:
    zone = state.zone or instance.zone
    rule = time_rule(instance.counting, Count.DWELL, local_date(derivation.at, zone).year)
    rows: list[Json] = []
    for timeline, where in zip(state.site.timelines, state.line_whereabouts, strict=True):
        line = timeline.line
        spent = dwell(line, rule, at=derivation.at, known_by=derivation.known_by)
        rows.append(
            _line(line, where, state, zone)
            | {"allergies": allergy_words(person)}
            | _counts(spent, numbers.get(line.key))
            | {"issues": [_issue(issue) for issue in issues_of.get(line.key, ())]}
        )
    return rows


def _line(line: Line, where: Whereabouts, state: SiteState, zone: tzinfo) -> Json:
    return {
        "line": line.key,
        "also": list(line.aliases),
        "patient": line.patient,
        "kind": line.kind,
        "site": line.site,
        "side": line.side,
        "slot": line.slot,
        "whereabouts": str(where),
        "unit": state.unit,
        "place": state.place,
        "dressing_site": state.site.key,
        "start": _moment(line.start, zone),
        "start_basis": str(line.start_basis),
        "end": _moment(line.end, zone),
        "end_basis": None if line.end_basis is None else str(line.end_basis),
    }


def _counts(spent: Dwell | None, number: LineDayNumber | None) -> Json:
    """Say how long a line has been in place and, apart from it, the patient's line day number, which is not that."""
    return {
        "dwell_hours": round(spent.seconds / HOUR, 4) if spent is not None else None,
        "dwell_at_least": spent.at_least if spent is not None else None,
        "dwell_rule": _stamp(spent.stamp) if spent is not None else None,
        "line_day_number": number.number if number is not None else None,
        "line_day_eligible": number.eligible if number is not None else None,
        "line_day_rule": _stamp(number.stamp) if number is not None else None,
    }


def _stamp(stamp: Stamp) -> str:
    return "; ".join(str(rule) for rule in stamp.rules)


def _site(state: SiteState, wording: Wording) -> Json:
    zone = state.zone
    assert zone is not None
    return {
        "dressing_site": state.site.key,
        "patient": state.site.timelines[0].line.patient,
        "lines": [timeline.line.key for timeline in state.site.timelines],
        "whereabouts": str(state.whereabouts),
        "unit": state.unit,
        "place": state.place,
        "encounter": state.encounter,
        "items": [_item(item, zone, wording) for item in state.items],
        "site_concern": None if state.concern is None else _item(state.concern, zone, wording),
    }


def _item(item: ItemState, zone: tzinfo, wording: Wording) -> Json:
    return {
        "item": item.item,
        "state": str(item.state),
        "priority": None if item.priority is None else str(item.priority),
        "reason": _reason(item.reason, zone, wording, item.item),
        "rule": item.rule,
        "last": _anchor(item.anchor, zone),
        "window_from": _iso_or_none(item.window_from, zone),
        "due": _iso_or_none(item.due, zone),
        "overdue_from": _iso_or_none(item.overdue_from, zone),
        "next_change": _iso_or_none(item.next_change, zone),
        "last_seen_intact": _iso_or_none(item.last_seen_intact, zone),
        "beside": [_reason(reason, zone, wording, item.item) for reason in item.beside],
        "assumed": [_reason(reason, zone, wording, item.item) for reason in item.assumed],
        "findings": [_finding(finding, zone) for finding in item.findings],
    }


def _reason(reason: Reason, zone: tzinfo, wording: Wording, item: str) -> Json:
    values = {name: iso(value, zone) if isinstance(value, int) else str(value) for name, value in reason.values}
    return {"code": reason.code, "values": values, "text": sentence(reason, wording, zone, item)}


def _anchor(anchor: Anchor | None, zone: tzinfo) -> Json | None:
    if anchor is None:
        return None
    return {
        "at": iso(anchor.at, zone),
        "precision": str(anchor.happened.precision),
        "basis": str(anchor.basis),
        "source": anchor.source,
        "known": iso(anchor.known, zone),
        "dressing_kind": anchor.dressing_kind,
    }


def _finding(finding: SiteFinding, zone: tzinfo) -> Json:
    return {
        "finding": finding.finding,
        "seen": _moment(finding.seen, zone),
        "known": iso(finding.known, zone),
        "source": finding.source,
        "minutes_after_change": finding.minutes_after_change,
    }


def _tally(row: TypeTally) -> Json:
    return {
        "type": row.name,
        "read": row.read,
        "used": row.used,
        "ignored": dict(row.ignored),
        "issues": row.issues,
    }


def _issue(issue: Issue) -> Json:
    return {
        "kind": str(issue.kind),
        "source": issue.source,
        "text": issue.text,
        "lines": list(issue.lines),
        "used": issue.used,
    }
