"""A small hand-made policy, the shipped one, and the states that facts of one made-up line come out with. No I/O but reading mappings/.

The hand-made policy holds the rules of the trade that the tests of states need, each in one line, so that a test can
exchange one of them. Instants are written as ISO texts with their offset; nothing here computes an expected value.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, time, tzinfo
from functools import cache
from pathlib import Path

import msgspec

from linedays.adapters.mapping_files import read_documents
from linedays.core.charting import ChartingRules
from linedays.core.evaluate import evaluate_chart
from linedays.core.model import Fact, Person, Place, PlaceClass, Stay
from linedays.core.moment import DAY, HOUR, MINUTE, Instant
from linedays.core.policy import (
    AgeGroup,
    Basis,
    BloodRule,
    FindingClass,
    FindingMeaning,
    IntervalRule,
    Limits,
    LineKind,
    NotRequiredRule,
    NotRequiredWhen,
    Policy,
    SeenRule,
    Shifts,
    Source,
    UnitSettings,
    UpkeepRule,
    WindowRule,
)
from linedays.core.states import ItemState, Reason, SiteState, State
from linedays.core.timeline import build_chart
from linedays.mapping.parse import policy_from_documents
from support import builders

MAPPINGS = Path(__file__).resolve().parents[2] / "mappings"
PLACED = "Procedure/placed"
PRACTICE = Source(text="common practice, no source")
SINCE = date(2000, 1, 1)
WITHIN_7_DAYS = ("transparent", "chg-transparent", "chg-gel", "chg-disc", "silicone-border")
SHIFTS = Shifts(starts=(time(7), time(19)), quiet_from=time(22), quiet_until=time(6), change_margin=30 * MINUTE)
ANY_UNIT = UnitSettings(
    unit="*",
    usual_dressing=None,
    first_dressing=None,
    shifts=SHIFTS,
    blood_rule=BloodRule.ANY,
    cutoff=None,
    neonatal=False,
    source=PRACTICE,
)
PLACES = {
    place.id: place
    for place in (
        Place(id="heron-1", unit="heron", name="Ward Heron, bed 1", place_class=PlaceClass.INPATIENT),
        Place(id="heron-2", unit="heron", name="Ward Heron, bed 2", place_class=PlaceClass.INPATIENT),
        Place(id="otter-1", unit="otter", name="Intensive care Otter, bed 1", place_class=PlaceClass.INPATIENT),
        Place(id="theatre", unit="theatre", name="Operating room", place_class=PlaceClass.PROCEDURAL),
    )
}


def iso(text: str) -> Instant:
    """Return the instant of an ISO text that states its offset."""
    when = datetime.fromisoformat(text)
    assert when.tzinfo is not None, f"{text}: no offset"
    return int(when.timestamp())


@cache
def shipped_policy() -> Policy:
    return policy_from_documents(read_documents(MAPPINGS))


def interval(id: str, days: int, **says) -> IntervalRule:
    """Return an interval rule for dressings, elapsed and without grace unless told otherwise."""
    values = {
        "item": "dressing-change",
        "line_kinds": tuple(kind.code for kind in LINE_KINDS),
        "dressing_kinds": (),
        "age": AgeGroup.ANY,
        "units": (),
        "basis": Basis.ELAPSED,
        "grace": 0,
        "since": SINCE,
        "until": None,
        "who": "nursing",
        "text": id,
        "source": PRACTICE,
    }
    return IntervalRule(id=id, interval_days=days, **(values | says))


def seen_rule(id: str, hours: int, **says) -> SeenRule:
    values = {
        "item": "dressing-change",
        "line_kinds": tuple(kind.code for kind in LINE_KINDS),
        "dressing_kinds": WITHIN_7_DAYS,
        "age": AgeGroup.NEONATE,
        "units": (),
        "since": SINCE,
        "until": None,
        "who": "nursing",
        "text": id,
        "source": PRACTICE,
    }
    return SeenRule(id=id, seen_within=hours * HOUR, **(values | says))


def not_required(id: str, when: NotRequiredWhen, *line_kinds: str, **says) -> NotRequiredRule:
    values = {
        "item": "dressing-change",
        "incision": 0,
        "since": SINCE,
        "until": None,
        "text": id,
        "source": PRACTICE,
    }
    return NotRequiredRule(id=id, line_kinds=line_kinds, when=when, **(values | says))


def _kind(code: str, *, may_go_home: bool = False, dressing: bool = True) -> LineKind:
    return LineKind(
        code=code,
        name=code,
        central=True,
        may_go_home=may_go_home,
        dressing=dressing,
        who="nursing",
        source=PRACTICE,
    )


LINE_KINDS = (
    _kind("picc", may_go_home=True),
    _kind("nontunnelled-cvc"),
    _kind("tunnelled-cvc", may_go_home=True),
    _kind("implanted-port", may_go_home=True),
    _kind("introducer"),
    _kind("pulmonary-artery"),
    _kind("umbilical-venous", dressing=False),
)
RULES: tuple[UpkeepRule, ...] = (
    interval("transparent-7", 7, dressing_kinds=WITHIN_7_DAYS, age=AgeGroup.OLDER),
    interval("gauze-2", 2, dressing_kinds=("gauze", "gauze-under-transparent")),
    interval("needle-7", 7, item="port-needle-change", line_kinds=("implanted-port",)),
    seen_rule("neonate-seen", 24),
    not_required("umbilical", NotRequiredWhen.ALWAYS, "umbilical-venous"),
    not_required("healed", NotRequiredWhen.SITE_HEALED, "tunnelled-cvc"),
    not_required("port", NotRequiredWhen.PORT_NOT_ACCESSED, "implanted-port", incision=14 * DAY),
    not_required("needle", NotRequiredWhen.PORT_NOT_ACCESSED, "implanted-port", item="port-needle-change"),
)
_MEANINGS = {
    FindingClass.NONE: "intact none undated",
    FindingClass.COMPROMISED: "damp moisture-under loose soiled lifted bloody missing chg-pad-swollen",
    FindingClass.BOTH: "drainage skin-damage pus bleeding-active exposed",
    FindingClass.CONCERN: "redness swelling tenderness pain warmth crepitus induration cord streak infiltration "
    "displaced limb-swelling disconnected catheter-damaged",
    FindingClass.BLOOD: "oozing old-blood",
    FindingClass.ROW_ONLY: "bruising",
}
STAT = frozenset({"pus", "bleeding-active", "exposed", "disconnected", "catheter-damaged"})
LIMITS = Limits(
    ask_days=2,
    after_change_hint=60 * MINUTE,
    off_unit_back=HOUR,
    off_unit_longest=4 * HOUR,
    used_after_removal=30 * MINUTE,
    stay_gap=4 * HOUR,
    port_incision=14 * DAY,
    neonate_corrected_weeks=44,
    sources=(),
)
WINDOWS = (
    WindowRule(up_to_days=2, lead=3 * HOUR, source=PRACTICE),
    WindowRule(up_to_days=None, lead=12 * HOUR, source=PRACTICE),
)


def policy(*, rules: tuple[UpkeepRule, ...] = RULES, **says) -> Policy:
    """Return the hand-made policy, with some of its parts exchanged."""
    values = {
        "content_hash": "made-up",
        "line_kinds": LINE_KINDS,
        "dressing_kinds": (*WITHIN_7_DAYS, "gauze", "gauze-under-transparent"),
        "findings": tuple(
            FindingMeaning(code=code, finding_class=found, stat=code in STAT, source=PRACTICE)
            for found, codes in _MEANINGS.items()
            for code in codes.split()
        ),
        "windows": WINDOWS,
        "units": (ANY_UNIT,),
        "limits": LIMITS,
    }
    return Policy(rules=rules, **(values | says))


POLICY = policy()


def unit(name: str = "*", **says) -> UnitSettings:
    """Return the settings of a unit: those of every unit, with some exchanged."""
    return replace(ANY_UNIT, unit=name, **says)


def exchanged(rules: tuple[UpkeepRule, ...], *new: UpkeepRule) -> tuple[UpkeepRule, ...]:
    """Return the rules with those of the same id exchanged, and the others added."""
    by_id = {rule.id: rule for rule in (*rules, *new)}
    return tuple(by_id.values())


def line(
    *facts: Fact, kind: str = "picc", placed: str | None = "2024-03-01 10:00", dressing: str | None = "transparent"
) -> tuple[Fact, ...]:
    """Return the facts of one line: its insertion, and others that name it. `placed` None: known only by its Device."""
    if placed is None:
        start = builders.device(PLACED, "2024-01-01 10:00", kind=kind)
    else:
        start = builders.inserted(placed, kind=kind, source=PLACED, value=dressing)
    return (start, *(msgspec.structs.replace(fact, part_of=PLACED) for fact in facts))


def sites_at(
    facts: tuple[Fact, ...],
    when: str | Instant,
    *,
    by: Policy = POLICY,
    zone: tzinfo = UTC,
    stays: tuple[Stay, ...] = (),
    person: Person | None = None,
    places: dict[str, Place] = PLACES,
    known_by: Instant | None = None,
) -> tuple[SiteState, ...]:
    """Return the states of a patient's dressing sites at a moment, as known at that moment unless told otherwise."""
    at = builders.at(when) if isinstance(when, str) else when
    chart = build_chart(
        builders.patient_input(*facts, stays=stays, person=person),
        ChartingRules(),
        known_by=at if known_by is None else known_by,
    )
    return evaluate_chart(chart, by, places, at=at, zone=zone)


def site_at(facts: tuple[Fact, ...], when: str | Instant, **says) -> SiteState:
    """Return the state of the one dressing site."""
    (one,) = sites_at(facts, when, **says)
    return one


def item_at(facts: tuple[Fact, ...], when: str | Instant, *, item: str = "dressing-change", **says) -> ItemState:
    """Return the state of one item of the one dressing site."""
    (one,) = [each for each in site_at(facts, when, **says).items if each.item == item]
    return one


def state_at(facts: tuple[Fact, ...], when: str | Instant, **says) -> State:
    return item_at(facts, when, **says).state


def codes(reasons: tuple[Reason, ...]) -> set[str]:
    return {reason.code for reason in reasons}


def value_of(reason: Reason, name: str) -> str | int:
    return dict(reason.values)[name]
