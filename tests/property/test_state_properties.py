"""What holds of every state, whatever was charted, in whatever order, and however late.

Source: design 2.2.5 (at and known_by), 2.3.4 and 2.5 to 2.7 (states), the reliability list H02, H11 and H32. The one
reading that is repeated here by other means is the plain interval: CDC-2011 Catheter Site Dressing Regimens rec. 6 and 7.
"""

from datetime import date
from itertools import pairwise

from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace as refit

from linedays.core.model import Fact, FactKind, Person, PlaceSpan, Stay
from linedays.core.moment import DAY, HOUR, MINUTE, Moment, Precision, exactly
from linedays.core.policy import AgeGroup
from linedays.core.states import SiteState, State
from support.builders import PATIENT
from support.policies import PLACED, POLICY, RULES, WITHIN_7_DAYS, interval, iso, policy, sites_at
from support.values import replace

BEGIN = iso("2024-03-01T10:00:00Z")
SPAN = 25 * DAY
FAR = iso("2030-01-01T00:00:00Z")
KINDS = ("picc", "tunnelled-cvc", "implanted-port", "umbilical-venous", "nontunnelled-cvc")
SEVERITY = {State.NOT_DUE: 0, State.WINDOW_OPEN: 1, State.DUE: 2, State.OVERDUE: 3}
PROFILE = settings(max_examples=100, deadline=None)

minutes = st.integers(min_value=1, max_value=SPAN // MINUTE)
instants = minutes.map(lambda minute: BEGIN + minute * MINUTE)
lags = st.sampled_from([0, 0, 5 * MINUTE, 3 * HOUR, 2 * DAY])
dressings = st.sampled_from([None, "transparent", "gauze", "chg-gel"])
DRESSING_SEEN = ("intact", "loose", "damp", "undated")
SITE_SEEN = ("none", "redness", "oozing", "pus", "bruising")


def _moment(at: int, by_day: bool) -> Moment:
    start = at - at % DAY
    return Moment(start, start + DAY - 1, Precision.DAY) if by_day else exactly(at)


@st.composite
def charted(draw: st.DrawFn, kinds: tuple[FactKind, ...], number: int) -> Fact:
    """Draw one fact about the line; `number` makes its source its own."""
    kind = draw(st.sampled_from(kinds))
    at = draw(instants)
    by_day = kind in (FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED) or draw(st.integers(0, 9)) == 0
    happened = _moment(at, by_day)
    values = {
        FactKind.DRESSING_SEEN: {"findings": tuple(draw(st.sets(st.sampled_from(DRESSING_SEEN), min_size=1)))},
        FactKind.SITE_SEEN: {"findings": tuple(draw(st.sets(st.sampled_from(SITE_SEEN), min_size=1)))},
        FactKind.NOT_DONE: {"value": draw(st.sampled_from(["refused", "off-unit", "unstable"]))},
        FactKind.PAUSED: {"until": exactly(at + draw(st.integers(1, 5)) * DAY)},
        FactKind.PART_CHANGED: {"value": "port-needle-change"},
    }
    return Fact(
        kind=kind,
        patient=PATIENT,
        source=f"Procedure/f{number}",
        happened=happened,
        known=happened.latest + draw(lags),
        part_of=PLACED,
        **values.get(kind, {"value": draw(dressings)}),
    )


CHARTING = (
    FactKind.DRESSING_CHANGED,
    FactKind.DRESSING_CHANGED,
    FactKind.DRESSING_SEEN,
    FactKind.SITE_SEEN,
    FactKind.LABEL_DATE,
    FactKind.CHANGE_REPORTED,
    FactKind.DRESSING_REINFORCED,
    FactKind.PORT_ACCESSED,
    FactKind.PORT_DEACCESSED,
    FactKind.PART_CHANGED,
    FactKind.SITE_HEALED,
    FactKind.SITE_NOT_HEALED,
)
PUTTING_OFF = (FactKind.NOT_DONE, FactKind.PAUSED)


@st.composite
def lines(draw: st.DrawFn, kinds: tuple[FactKind, ...] = CHARTING, most: int = 8) -> tuple[Fact, ...]:
    """Draw a line and what was charted about it."""
    line_kind = draw(st.sampled_from(KINDS))
    start = Fact(
        kind=draw(st.sampled_from([FactKind.INSERTED, FactKind.DEVICE])),
        patient=PATIENT,
        source=PLACED,
        happened=exactly(BEGIN),
        known=BEGIN,
        line_kind=line_kind,
        value=draw(dressings),
    )
    count = draw(st.integers(0, most))
    return (start, *(draw(charted(kinds, number)) for number in range(count)))


def told_of(site: SiteState) -> list[tuple]:
    """Return what a site says, without the moment it was asked about and the next change."""
    items = [replace(item, next_change=None) for item in site.items]
    return [items, site.concern, site.whereabouts]


def timed(sites: tuple[SiteState, ...]) -> dict[str, State]:
    return {item.item: item.state for site in sites for item in site.items}


@PROFILE
@given(facts=lines(), later=st.integers(0, 20 * DAY), person_known=st.booleans())
def test_time_alone_never_makes_anything_less_due(facts, later, person_known):
    # Nothing is charted between the two moments. A grown patient, or one whose birth is not charted.
    person = Person(id=PATIENT, birth=exactly(BEGIN - 20_000 * DAY) if person_known else None)
    first = max(max(fact.happened.latest, fact.known) for fact in facts)

    before = timed(sites_at(facts, first, person=person, known_by=FAR))
    after = timed(sites_at(facts, first + later, person=person, known_by=FAR))

    assert before.keys() == after.keys()
    for item, state in before.items():
        if state in SEVERITY:
            # A dressing of a kind that nobody charted becomes unknown when its interval is over.
            assert after[item] is State.UNKNOWN or SEVERITY[after[item]] >= SEVERITY[state]
        else:
            assert after[item] is state


@PROFILE
@given(facts=lines((*CHARTING, *PUTTING_OFF)), at=instants)
def test_putting_off_never_hides_that_something_is_overdue_or_compromised(facts, at):
    plain = tuple(fact for fact in facts if fact.kind not in PUTTING_OFF)

    without, with_them = timed(sites_at(plain, at, known_by=FAR)), timed(sites_at(facts, at, known_by=FAR))

    for item, state in without.items():
        if state in (State.OVERDUE, State.COMPROMISED, State.UNKNOWN, State.NOT_REQUIRED):
            assert with_them[item] in (state, State.PAUSED)


@PROFILE
@given(facts=lines((*CHARTING, *PUTTING_OFF)), at=instants, neonatal=st.booleans())
def test_not_due_rests_on_a_dated_fact(facts, at, neonatal):
    # H02: nothing is calm because nothing is known.
    person = Person(id=PATIENT, birth=exactly(BEGIN - 2 * DAY) if neonatal else None)

    for site in sites_at(facts, at, person=person, known_by=FAR):
        for item in site.items:
            if item.state in (State.NOT_DUE, State.WINDOW_OPEN):
                dated = item.anchor.at if item.anchor is not None else item.last_seen_intact
                assert dated is not None
                assert dated <= at


@PROFILE
@given(
    facts=lines((*CHARTING, *PUTTING_OFF)),
    late=lines((*CHARTING, *PUTTING_OFF), most=3),
    at=instants,
    known_by=instants,
)
def test_what_is_known_later_changes_nothing_of_what_was_known(facts, late, at, known_by):
    later = tuple(
        refit(fact, source=f"{fact.source}-late", known=known_by + 1 + number) for number, fact in enumerate(late[1:])
    )

    assert sites_at((*facts, *later), at, known_by=known_by) == sites_at(facts, at, known_by=known_by)


@PROFILE
@given(facts=lines((*CHARTING, *PUTTING_OFF)), at=instants, data=st.data())
def test_neither_order_nor_copies_matter(facts, at, data):
    copies = data.draw(st.lists(st.sampled_from(facts), max_size=4))
    shuffled = tuple(data.draw(st.permutations([*facts, *copies])))

    assert sites_at(shuffled, at, known_by=FAR) == sites_at(facts, at, known_by=FAR)


# --- The next change ----------------------------------------------------------------------------------------------------

DATED = policy(
    rules=(
        *(rule for rule in RULES if rule.id != "transparent-7"),
        interval("transparent-7", 7, dressing_kinds=WITHIN_7_DAYS, age=AgeGroup.OLDER, until=date(2024, 3, 9)),
        interval("transparent-4", 4, dressing_kinds=WITHIN_7_DAYS, age=AgeGroup.OLDER, since=date(2024, 3, 9)),
        interval("otter-2", 2, dressing_kinds=WITHIN_7_DAYS, age=AgeGroup.OLDER, units=("otter",)),
    )
)
# A unit's own rule goes before the one made for every unit.
MOVES = st.lists(st.tuples(instants, st.sampled_from(["heron-1", "otter-1", "theatre"])), max_size=4)


def stays_of(moves: list[tuple[int, str]], end: int | None) -> tuple[Stay, ...]:
    """Return one stay that goes through places at odd seconds, so that no move falls on the instant of a clock."""
    starts = sorted({at + 30: place for at, place in moves}.items())
    path = [(BEGIN - DAY, "heron-1"), *starts]
    spans = tuple(
        PlaceSpan(place=place, start=start, end=after[0]) for (start, place), after in pairwise([*path, (None, "")])
    )
    return (
        Stay(
            id="E",
            top="E",
            status="in-progress",
            encounter_class="IMP",
            start=BEGIN - DAY,
            end=end,
            known=BEGIN - DAY,
            places=spans,
        ),
    )


@PROFILE
@given(
    facts=lines((*CHARTING, *PUTTING_OFF)),
    moves=MOVES,
    at=instants,
    part=st.floats(0, 1),
    born=st.sampled_from([None, BEGIN - 20 * DAY, BEGIN - 9_000 * DAY]),
    discharged=st.booleans(),
)
def test_nothing_changes_before_the_next_change(facts, moves, at, part, born, discharged):
    person = Person(id=PATIENT, birth=None if born is None else exactly(born))
    says = {
        "by": DATED,
        "person": person,
        "stays": stays_of(moves, BEGIN + 20 * DAY if discharged else None),
        "known_by": FAR,
    }
    sites = sites_at(facts, at, **says)

    for index, site in enumerate(sites):
        coming = [item.next_change for item in site.items if item.next_change is not None]
        assert all(instant > at for instant in coming)
        if not site.items:
            continue
        until = min(coming, default=at + 60 * DAY) - 1
        between = at + int((until - at) * part)
        for moment in (between, until):
            assert told_of(sites_at(facts, moment, **says)[index]) == told_of(site)


@PROFILE
@given(facts=lines(), at=instants)
def test_at_the_next_change_another_state_holds(facts, at):
    # Without stays, ages, dated rules or facts that lie ahead the next change is one of the clock. Where something more
    # urgent holds than the clock, only the clock's own state would change: left out here.
    assume(all(max(fact.happened.latest, fact.known) <= at for fact in facts))

    for site in sites_at(facts, at, known_by=FAR):
        for item in site.items:
            if item.next_change is None or item.state is State.COMPROMISED:
                continue
            (after,) = [
                other for other in sites_at(facts, item.next_change, known_by=FAR)[0].items if other.item == item.item
            ]
            assert (after.state, after.reason) != (item.state, item.reason)


# --- A change of rule (H32) -----------------------------------------------------------------------------------------------


@PROFILE
@given(facts=lines(), moves=MOVES)
def test_a_transfer_or_a_dated_rule_never_makes_anything_overdue_at_once(facts, moves):
    stays = stays_of(moves, None)
    turns = {span.start for span in stays[0].places[1:]} | {iso("2024-03-09T00:00:00Z")}

    for turn in turns:
        charted_then = any(turn - 1 < fact.happened.earliest <= turn for fact in facts)
        before, after = (timed(sites_at(facts, at, by=DATED, stays=stays, known_by=FAR)) for at in (turn - 1, turn))
        for item, state in after.items():
            if state is State.OVERDUE and not charted_then:
                assert before[item] is State.OVERDUE


# --- The plain interval, counted by other means ------------------------------------------------------------------------------


@PROFILE
@given(
    changes=st.lists(st.tuples(instants, st.sampled_from(["transparent", "gauze"])), min_size=1, max_size=6),
    at=instants,
    second=st.integers(-1, 1),
)
def test_overdue_is_more_than_the_interval_since_the_latest_change(changes, at, second):
    changes = list({moment: (moment, kind) for moment, kind in changes}.values())
    start = Fact(
        kind=FactKind.INSERTED,
        patient=PATIENT,
        source=PLACED,
        happened=exactly(BEGIN),
        known=BEGIN,
        line_kind="picc",
        value="transparent",
    )
    facts = (
        start,
        *(
            Fact(
                kind=FactKind.DRESSING_CHANGED,
                patient=PATIENT,
                source=f"Procedure/{moment}",
                happened=exactly(moment),
                known=moment,
                part_of=PLACED,
                value=kind,
            )
            for moment, kind in changes
        ),
    )
    moment, kind = max(changes)
    # Either anywhere after the last change, or right at its threshold.
    threshold = moment + (604_800 if kind == "transparent" else 172_800)

    for asked in (max(at, moment), threshold + second):
        state = timed(sites_at(facts, asked, by=POLICY))["dressing-change"]
        assert (state is State.OVERDUE) == (asked > threshold)
        assert (state is State.DUE) == (asked == threshold)
