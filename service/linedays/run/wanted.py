"""States → what should stand in the worklist and the chart, with its words. No I/O.

For each dressing site one Task for its dressing, one for each other part that is due at another time, one where its
removal is to be charted, and one Flag for each condition that holds at it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, tzinfo

from linedays.core.anchors import DRESSING_ITEM
from linedays.core.asked import REMOVAL, conditions, dressing_item, lines_there
from linedays.core.changes import Act
from linedays.core.compared import Condition, SiteWanted, WantedFlag, WantedTask
from linedays.core.concern import CONCERN_ITEM
from linedays.core.evidence import withdrawn_sources
from linedays.core.model import NONE_KNOWN, Fact, Person, Stay
from linedays.core.own_tasks import joined_steps, own_tasks
from linedays.core.policy import NotRequiredRule, Policy, UnitSettings, unit_settings
from linedays.core.states import ItemState, Priority, Reason, SiteState
from linedays.fhir.identity import Identity
from linedays.fhir.outputs import site_wanted
from linedays.fhir.outputs.flag import FlagContent, wanted_flag
from linedays.fhir.outputs.task import TaskContent, wanted_task
from linedays.mapping.wording import Wording, plain, sentence, time_words, title_words, words_for
from linedays.run.derive import PatientResult
from linedays.run.worklist import line_words

# A site concern stands beside these; every other part has nothing to do with it.
_OF_THE_SITE = (DRESSING_ITEM, REMOVAL)


@dataclass(frozen=True, slots=True)
class _Words:
    """What all texts about one patient are made from."""

    person: Person
    policy: Policy
    wording: Wording


def wanted_of(
    result: PatientResult, facts: Iterable[Fact], policy: Policy, wording: Wording, identity: Identity
) -> tuple[SiteWanted, ...]:
    """Return what is wanted for every dressing site of a patient. `facts` is all that was read of that patient."""
    withdrawn = withdrawn_sources(facts)
    words = _Words(result.chart.person, policy, wording)
    return tuple(_site(state, result.chart.stays, withdrawn, words, identity) for state in result.states)


def _site(
    state: SiteState, stays: tuple[Stay, ...], withdrawn: frozenset[str], words: _Words, identity: Identity
) -> SiteWanted:
    policy, wording = words.policy, words.wording
    written: list[WantedTask | WantedFlag] = []
    for item, steps in own_tasks(state):
        task = wanted_task(_task_content(state, item, steps, words), identity)
        written.extend([task] if task is not None else [])
    for holding in conditions(state):
        text = _flag_text(state, holding.condition, policy, wording)
        content = FlagContent(
            state=state, holding=holding, text=text, policy_hash=policy.content_hash, cautions=wording.cautions
        )
        written.append(wanted_flag(content, identity))
    return site_wanted(
        state,
        tuple(written),
        shifts=_settings(state, policy).shifts,
        stays=stays,
        withdrawn=withdrawn,
        joined=frozenset(step.item for step in joined_steps(state)),
        former=frozenset(words.person.former_ids),
    )


def _settings(state: SiteState, policy: Policy) -> UnitSettings:
    return unit_settings(policy, (state.unit or "").rpartition("/")[2])


def _task_content(state: SiteState, item: ItemState, steps: tuple[ItemState, ...], words: _Words) -> TaskContent:
    policy, wording = words.policy, words.wording
    who = who_of(state, item, policy)
    zone = state.zone or UTC
    return TaskContent(
        state=state,
        item=item,
        title=_title(state, item, policy, wording),
        reason=_said(item.reason, state, wording, item),
        notes=_notes(state, item, steps, words),
        who=who,
        policy_hash=policy.content_hash,
        reminder=lambda at: plain(wording.shape.reminder, wording, zone, at=at),
        before=lambda act: _before(act, wording, zone),
        steps=steps,
        allergies=words.person.allergies,
        role=next((code for code, name in policy.staff if name == who), None),
        owner=_settings(state, policy).owner,
    )


def _before(act: Act, wording: Wording, zone: tzinfo) -> str:
    """Return what a person did to the Task before, with the reason that was given."""
    text = wording.shape.again_done if act.done else wording.shape.again
    said = plain(text, wording, zone, at=act.at)
    return f"{said}: “{act.said}”" if act.said else said


def _title(state: SiteState, item: ItemState, policy: Policy, wording: Wording) -> str:
    concern = state.concern is not None and item is not state.concern and item.item in _OF_THE_SITE
    beside = [wording.shape.title_concern] if concern else []
    return " · ".join((title_words(item, wording), *beside, line_words(state, policy)))


def _said(reason: Reason, state: SiteState, wording: Wording, item: ItemState) -> str:
    return sentence(reason, wording, state.zone or UTC, item.item)


def _notes(state: SiteState, item: ItemState, steps: tuple[ItemState, ...], words: _Words) -> tuple[str, ...]:
    wording = words.wording
    said = [_together(step, state, wording) for step in steps]
    said += [_said(reason, state, wording, item) for reason in (*item.beside, *item.assumed)]
    concern = state.concern
    if concern is not None and concern is not item and item.item in _OF_THE_SITE:
        said.append(_said(concern.reason, state, wording, concern))
    said += _stat_caution(state, item, wording)
    if item.item != REMOVAL:
        said.append(allergy_words(words.person, wording))
    return (*said, *wording.cautions)


def allergy_words(person: Person, wording: Wording) -> str:
    """Return what is charted of a patient's allergies. Nothing charted is not "none": somebody has to ask."""
    groups = dict.fromkeys(allergy.group for allergy in person.allergies)
    charted = [words_for(f"allergy-{group}", wording) for group in groups if group != NONE_KNOWN]
    if charted:
        return plain(wording.shape.allergies, wording, UTC, what=", ".join(charted))
    return wording.shape.no_allergies_known if groups else wording.shape.no_allergies_charted


def _together(step: ItemState, state: SiteState, wording: Wording) -> str:
    zone = state.zone or UTC
    what = title_words(step, wording)
    if step.due is None:
        return plain(wording.shape.together, wording, zone, what=what)
    return plain(wording.shape.together_due, wording, zone, what=what, due=step.due)


def _stat_caution(state: SiteState, item: ItemState, wording: Wording) -> list[str]:
    if item.item not in (*_OF_THE_SITE, CONCERN_ITEM):
        return []
    urgent = [one for one in (item, state.concern) if one is not None and one.priority is Priority.STAT]
    if not urgent:
        return []
    at = max(finding.known for finding in urgent[0].findings)
    return [plain(wording.shape.stat_caution, wording, state.zone or UTC, at=at)]


def who_of(state: SiteState, item: ItemState, policy: Policy) -> str:
    """Return who does an item, as the policy says: of its rule, else of the lines that are there."""
    for rule in policy.rules:
        if rule.id == item.rule and not isinstance(rule, NotRequiredRule):
            return rule.who
    kinds = {kind.code: kind.who for kind in policy.line_kinds}
    found = [kinds[line.kind] for line in lines_there(state) if line.kind in kinds]
    usual = policy.staff[0][1] if policy.staff else None
    # Where one of several lines under the dressing is not everybody's, the Task is for those who may open it.
    return next((who for who in found if who != usual), found[0] if found else "")


def _flag_text(state: SiteState, condition: Condition, policy: Policy, wording: Wording) -> str:
    """Return the text of a Flag: which line, and what was charted, when, by which rule."""
    line = line_words(state, policy)
    if condition is Condition.SITE_CONCERN and state.concern is not None:
        return f"{line} · {_said(state.concern.reason, state, wording, state.concern)}"
    item = dressing_item(state)
    if item is None:
        return line
    zone = state.zone or UTC
    match condition:
        case Condition.OVERDUE if item.overdue_from is not None and item.due is not None:
            since = time_words(item.overdue_from, zone)
            return f"{line} · dressing due {time_words(item.due, zone)}, overdue from {since}"
        case Condition.COMPROMISED:
            found = ", ".join(dict.fromkeys(words_for(finding.finding, wording) for finding in item.findings))
            first = min(finding.seen.earliest for finding in item.findings)
            said = f"{line} · dressing seen {found} {time_words(first, zone)}"
            # The sentence may go on, after the rule, with what was charted soon after a change.
            _, _, hint = _said(item.reason, state, wording, item).rpartition(" · ")
            return f"{said} · {hint}" if "minutes" in dict(item.reason.values) else said
        case _:
            reasons = (item.reason, *item.beside)
            unknown = next((reason for reason in reasons if reason.code.startswith("unknown")), item.reason)
            return f"{line} · {_said(unknown, state, wording, item)}"
