"""What holds for every chart that facts make, whatever was charted, in whatever order and however often it was read.

Source: design 2.2.5 (what is known later is invisible), 2.3.2 (the key never changes while the line lives), 2.3.12 (used,
ignored and issues add up). The charts are made up by Hypothesis; nothing here computes an expected chart.
"""


from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace as with_fields

from linedays.core.model import CREATING, EndBasis, Fact, FactKind, PatientChart, PatientInput
from linedays.core.moment import DAY, HOUR, MINUTE, Moment, Precision
from linedays.core.tally import shortfall
from linedays.core.timeline import build_chart
from support.builders import FAR, PATIENT, RULES, at, lines_of, patient_input, stay, timelines_of
from support.values import replace

START = at("2026-03-02 00:00")
DEVICES = ("Device/a", "Device/b", "Device/not-read")
ABOUT = (
    FactKind.REMOVED,
    FactKind.DRESSING_CHANGED,
    FactKind.LABEL_DATE,
    FactKind.DRESSING_SEEN,
    FactKind.USED,
    FactKind.LINE_NOT_PRESENT,
)
STAYS = (
    stay("Encounter/1", "2026-03-02 00:00", "2026-03-09 00:00"),
    stay("Encounter/2", "2026-03-04 00:00", top="Encounter/1"),
)


def moments() -> st.SearchStrategy[Moment]:
    """Times of twenty days, to the half hour or by day; few enough that many fall together."""
    exact = st.integers(0, 20 * 48).map(lambda n: Moment(START + n * 30 * MINUTE, START + n * 30 * MINUTE))
    days = st.integers(0, 20).map(lambda n: Moment(START + n * DAY, START + (n + 1) * DAY - 1, Precision.DAY))
    return st.one_of(exact, exact, days)


def delays() -> st.SearchStrategy[int]:
    return st.sampled_from([-DAY, -15 * MINUTE - 1, 0, 0, 0, HOUR, DAY, 9 * DAY])


@st.composite
def single_facts(draw: st.DrawFn, *, linked: bool = False, kinds: tuple[FactKind, ...] = (*ABOUT, *CREATING)) -> Fact:
    """Draw the one fact of one resource, without its source. `linked`: it names a device or what it is part of."""
    kind = draw(st.sampled_from(sorted(kinds)))
    happened = draw(moments())
    known = happened.latest + draw(delays())
    if kind in (FactKind.DEVICE, FactKind.CHARTED):
        happened = Moment(known, known)
    until = None
    if kind is FactKind.PRESENT and draw(st.booleans()):
        end = happened.latest + draw(st.sampled_from([0, 2 * HOUR, 2 * DAY]))
        until = Moment(end, end)
    device = draw(st.sampled_from(DEVICES if linked else (None, None, *DEVICES)))
    return Fact(
        kind=kind,
        patient=PATIENT,
        source="",
        happened=happened,
        known=known,
        updated=known,
        until=until,
        device=None if kind in (FactKind.DEVICE, FactKind.CHARTED) else device,
        line_kind=draw(st.sampled_from(["picc", "picc", "introducer", "pulmonary-artery", "unknown", None])),
        site=draw(st.sampled_from(["arm", "leg", None])),
        side=draw(st.sampled_from(["left", "right", None])),
        slot=draw(st.sampled_from([None, None, "slot-1"])),
        encounter=draw(st.sampled_from(["Encounter/1", "Encounter/2", None])),
        value="device-status" if kind is FactKind.REMOVED and draw(st.booleans()) else None,
    )


@st.composite
def resources(draw: st.DrawFn) -> list[Fact]:
    """Draw everything read of one patient: resources of one fact, some in several versions, some retracted."""
    found: list[Fact] = []
    for number, fact in enumerate(draw(st.lists(single_facts(), max_size=12))):
        fact = with_fields(fact, source=_source(fact, number))
        found.append(fact)
        for step in range(draw(st.sampled_from([0, 0, 0, 1, 2]))):
            found.append(_later_version(draw, fact, (step + 1) * 3 * DAY))
    return found


def _source(fact: Fact, number: int) -> str:
    # The first two Devices are those that other facts name.
    if fact.kind is FactKind.DEVICE:
        return DEVICES[number] if number < 2 else f"Device/{number}"
    return f"Procedure/{number}"


def _later_version(draw: st.DrawFn, fact: Fact, after: int) -> Fact:
    stored = fact.known + after
    if draw(st.integers(0, 3)) == 0:
        return Fact(
            kind=FactKind.RETRACTED,
            patient=PATIENT,
            source=fact.source,
            happened=Moment(stored, stored),
            known=stored,
            updated=stored,
        )
    known = draw(st.sampled_from([fact.known, stored]))
    happened = draw(st.sampled_from([fact.happened, Moment(START + 5 * DAY, START + 5 * DAY)]))
    # An interval that ends before it begins is refused when it is read.
    until = None if fact.until is not None and fact.until.latest < happened.earliest else fact.until
    return with_fields(fact, known=known, updated=stored, happened=happened, until=until)


known_bys = st.integers(0, 30 * 4).map(lambda n: START + n * 6 * HOUR)


def chart(facts: list[Fact], known_by: int = FAR) -> PatientChart:
    return build_chart(patient_input(*facts, stays=STAYS), RULES, known_by=known_by)


@given(resources(), known_bys, st.randoms(use_true_random=False))
def test_order_and_copies_do_not_matter(facts, known_by, random):
    shuffled = facts + [random.choice(facts) for _ in range(3) if facts]
    random.shuffle(shuffled)

    assert chart(shuffled, known_by) == chart(facts, known_by)


@given(resources(), known_bys)
def test_what_becomes_known_later_never_changes_an_earlier_chart(facts, known_by):
    by_then = [fact for fact in facts if fact.known <= known_by]
    stays = tuple(each for each in STAYS if each.known <= known_by)

    before = build_chart(
        PatientInput(person=chart([]).person, facts=tuple(by_then), stays=stays), RULES, known_by=known_by
    )

    assert replace(chart(facts, known_by), not_yet_known=frozenset()) == replace(before, not_yet_known=frozenset())


@given(st.lists(single_facts(linked=True), max_size=10), known_bys, st.integers(0, 20 * DAY))
def test_a_line_keeps_its_key_as_more_becomes_known(drawn, known_by, later):
    """Of linked charting that is only added to: what bridges two unlinked intervals does make one line of two."""
    facts = [with_fields(fact, source=_source(fact, number)) for number, fact in enumerate(drawn)]

    assert set(lines_of(chart(facts, known_by))) <= set(lines_of(chart(facts, known_by + later)))


@given(resources(), known_bys)
def test_every_resource_ends_in_exactly_one_way(facts, known_by):
    found = chart(facts, known_by)
    beside = {fact.source for timeline in timelines_of(found).values() for fact, _ in timeline.unused}
    unplaced = {issue.source for issue in found.issues if not issue.used} - beside
    for source in {fact.source for fact in facts}:
        ways = [
            source in found.standing,
            source in beside,
            source in unplaced,
            source in found.not_yet_known,
            _is_retracted(facts, source, known_by),
        ]
        assert sum(ways) == 1, (source, ways)


def _is_retracted(facts: list[Fact], source: str, known_by: int) -> bool:
    said = [fact for fact in facts if fact.source == source and fact.updated is not None and fact.updated <= known_by]
    return bool(said) and max(said, key=lambda fact: fact.updated or 0).kind is FactKind.RETRACTED


@given(resources())
def test_every_fact_stands_on_at_most_one_line(facts):
    placed = [
        fact.source
        for timeline in timelines_of(chart(facts)).values()
        for fact in (*timeline.facts, *(fact for fact, _ in timeline.unused))
    ]

    assert len(placed) == len(set(placed))


@given(resources())
def test_every_line_is_under_exactly_one_dressing(facts):
    keys = [timeline.line.key for site in chart(facts).sites for timeline in site.timelines]

    assert len(keys) == len(set(keys))


@given(resources(), known_bys, st.integers(0, 2))
def test_used_ignored_and_issues_add_up_to_what_was_read(facts, known_by, copies):
    """A retracted version was counted as ignored when it was read: it is no part of what was read with facts."""
    read = facts + facts[:1] * copies
    found = chart(read, known_by)
    missing = shortfall(read, found)

    used = len({fact.source for fact in read} & found.standing)
    with_facts = sum(fact.kind is not FactKind.RETRACTED for fact in read)
    assert used + missing.issues.total() + missing.ignored.total() == with_facts
    assert min([*missing.issues.values(), *missing.ignored.values()], default=1) > 0


@given(resources())
def test_no_line_ends_before_it_may_have_begun(facts):
    for line in lines_of(chart(facts)).values():
        if line.end is not None and line.end_basis is not EndBasis.STATUS and line.start_basis != "device-record":
            assert line.end.latest >= line.start.earliest
