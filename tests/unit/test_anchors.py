"""What an item's clock counts from, of facts in order of time. Expected values by hand from design 2.3.4 to 2.3.8 and 2.7."""

import pytest

from linedays.core.anchors import NEEDLE_ITEM, SiteFact, anchoring, counts_from, facts_by
from linedays.core.model import FactKind, Line, StartBasis
from linedays.core.states import AnchorBasis
from support.builders import at, changed, chart_of, fact, inserted, seen, when

DRESSING = "dressing-change"


def on_a_line(*facts, basis=StartBasis.INSERTION, kind="picc", start="2024-03-01 10:00"):
    line = Line(
        key="Procedure/i",
        patient="P",
        kind=kind,
        site=None,
        side=None,
        start=when(start),
        start_basis=basis,
        start_source="Procedure/i",
    )
    return [SiteFact(each, line) for each in facts]


def test_nothing_charted_is_no_anchor():
    found = anchoring([], DRESSING, None)

    assert (found.anchor, found.kind_before, found.too_coarse) == (None, None, None)


@pytest.mark.parametrize(
    ("kind", "basis"),
    [
        (FactKind.DRESSING_CHANGED, AnchorBasis.CHANGE),
        (FactKind.LABEL_DATE, AnchorBasis.LABEL),
        (FactKind.CHANGE_REPORTED, AnchorBasis.REPORTED),
        (FactKind.INSERTED, AnchorBasis.INSERTION),
        (FactKind.PRESENT, AnchorBasis.INSERTION),
        (FactKind.PORT_ACCESSED, AnchorBasis.INSERTION),
    ],
)
def test_what_puts_a_dressing_on(kind, basis):
    found = anchoring(on_a_line(fact(kind, "2024-03-04 14:30", value="gauze")), DRESSING, None).anchor

    assert (found.at, found.basis, found.dressing_kind) == (at("2024-03-04 14:30"), basis, "gauze")


@pytest.mark.parametrize(
    "kind",
    sorted(
        set(FactKind)
        - {
            FactKind.DRESSING_CHANGED,
            FactKind.LABEL_DATE,
            FactKind.CHANGE_REPORTED,
            FactKind.INSERTED,
            FactKind.PRESENT,
            FactKind.PORT_ACCESSED,
        }
    ),
)
def test_nothing_else_does(kind):
    # H12: caps, tubing, securement and looking are no dressing change.
    assert anchoring(on_a_line(fact(kind, "2024-03-04 14:30")), DRESSING, None).anchor is None


@pytest.mark.parametrize("kind", [FactKind.INSERTED, FactKind.PRESENT])
@pytest.mark.parametrize("basis", [StartBasis.ARRIVAL, StartBasis.DEVICE])
def test_an_arrival_puts_no_dressing_on(kind, basis):
    assert anchoring(on_a_line(fact(kind, "2024-03-01 10:00"), basis=basis), DRESSING, None).anchor is None


def test_an_exchange_over_a_guidewire_puts_one_on():
    facts = on_a_line(fact(FactKind.INSERTED, "2024-03-01 10:00"), basis=StartBasis.EXCHANGE)

    assert anchoring(facts, DRESSING, None).anchor.basis is AnchorBasis.INSERTION


def test_an_insertion_of_a_kind_without_a_dressing_puts_none_on():
    facts = on_a_line(fact(FactKind.INSERTED, "2024-03-01 10:00"), kind="umbilical-venous")

    assert anchoring(facts, DRESSING, None, frozenset({"umbilical-venous"})).anchor is None


@pytest.mark.parametrize(
    ("basis", "counted"),
    [
        (StartBasis.INSERTION, "2024-03-01 10:00"),
        (StartBasis.EXCHANGE, "2024-03-01 10:00"),
        (StartBasis.ARRIVAL, "2024-03-01 00:00"),
        (StartBasis.DEVICE, "2024-03-01 00:00"),
    ],
)
def test_a_day_counts_from_its_first_instant_but_not_before_insertion(basis, counted):
    assert anchoring(on_a_line(changed("2024-03-01"), basis=basis), DRESSING, None).anchor.at == at(counted)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        # Of one instant: change before label before report before insertion.
        (FactKind.DRESSING_CHANGED, FactKind.LABEL_DATE),
        (FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED),
        (FactKind.CHANGE_REPORTED, FactKind.INSERTED),
    ],
)
def test_of_one_instant_the_fact_that_says_most_is_cited(one, other):
    facts = [fact(one, "2024-03-04 14:30", source="Procedure/1"), fact(other, "2024-03-04 14:30", source="Procedure/2")]

    for ordered in (facts, facts[::-1]):
        assert anchoring(on_a_line(*ordered), DRESSING, None).anchor.source == "Procedure/1"


def test_of_two_changes_of_one_instant_the_one_known_first_is_cited():
    facts = [
        changed("2024-03-04 14:30", source="late", known="2024-03-05 08:00"),
        changed("2024-03-04 14:30", source="early", known="2024-03-04 15:00"),
    ]

    assert anchoring(on_a_line(*facts), DRESSING, None).anchor.source == "early"


def test_of_two_entries_for_one_instant_the_one_that_names_the_dressing_is_cited():
    # A look that was asked for because the kind is not charted is answered by charting it, for the same date.
    facts = [
        fact(FactKind.LABEL_DATE, "2024-03-04", source="without", known="2024-03-04 15:00"),
        fact(FactKind.LABEL_DATE, "2024-03-04", source="with", known="2024-03-06 08:00", value="transparent"),
    ]

    for ordered in (facts, facts[::-1]):
        found = anchoring(on_a_line(*ordered), DRESSING, None).anchor
        assert (found.source, found.dressing_kind) == ("with", "transparent")


def test_the_kind_before_is_the_one_charted_last_before_the_anchor():
    facts = on_a_line(
        changed("2024-03-02 08:00", value="transparent"),
        changed("2024-03-03 08:00", value="gauze"),
        changed("2024-03-04 08:00"),
        changed("2024-03-05 08:00"),
    )

    assert anchoring(facts, DRESSING, None).kind_before == "gauze"
    assert anchoring(facts[:1], DRESSING, None).kind_before is None


@pytest.mark.parametrize("text", ["2024-02", "2024"])
def test_a_coarse_time_is_told_and_sets_nothing(text):
    found = anchoring(on_a_line(changed(text)), DRESSING, None)

    assert found.anchor is None
    assert found.too_coarse.happened == when(text)


@pytest.mark.parametrize(
    ("happened", "known", "counts"),
    [
        pytest.param("2024-03-08 10:00", "2024-03-08 10:00", True, id="done as the patient comes back"),
        pytest.param("2024-03-08 09:59:59", "2024-03-08 09:59:59", False, id="done and charted a second before"),
        pytest.param("2024-03-07 09:00", "2024-03-08 10:00", True, id="done before, charted since"),
        pytest.param("2024-03-08", "2024-03-08 09:00", True, id="done some time that day"),
    ],
)
def test_on_readmission_what_was_done_or_charted_since_counts(happened, known, counts):
    found = anchoring(on_a_line(changed(happened, known=known)), DRESSING, at("2024-03-08 10:00"))

    assert (found.anchor is not None) is counts


def test_a_needle_counts_from_access_or_its_own_change():
    facts = on_a_line(
        fact(FactKind.PORT_ACCESSED, "2024-03-04 14:30", value="transparent"),
        changed("2024-03-05 08:00", value="gauze"),
        fact(FactKind.PART_CHANGED, "2024-03-06 08:00", value=NEEDLE_ITEM),
        fact(FactKind.PART_CHANGED, "2024-03-07 08:00", value="connector-change"),
    )

    access = anchoring(facts[:2], NEEDLE_ITEM, None).anchor
    needle = anchoring(facts, NEEDLE_ITEM, None).anchor

    assert (access.basis, access.dressing_kind, access.at) == (
        AnchorBasis.INSERTION,
        "transparent",
        at("2024-03-04 14:30"),
    )
    assert (needle.basis, needle.dressing_kind, needle.at) == (AnchorBasis.CHANGE, None, at("2024-03-06 08:00"))


def test_another_part_counts_from_its_own_change_only():
    facts = on_a_line(
        fact(FactKind.PART_CHANGED, "2024-03-07 08:00", value="connector-change"),
        fact(FactKind.PORT_ACCESSED, "2024-03-08 14:30"),
        changed("2024-03-08 15:00"),
    )

    assert anchoring(facts, "connector-change", None).anchor.at == at("2024-03-07 08:00")


@pytest.mark.parametrize(
    ("happened", "counts"),
    [("2024-03-06 08:59", False), ("2024-03-06 09:00", True), ("2024-03-06 09:01", True), ("2024-03-06", True)],
)
def test_what_was_charted_before_the_needle_came_out_counts_no_more(happened, counts):
    facts = [
        fact(FactKind.PORT_DEACCESSED, "2024-03-02 09:00"),
        fact(FactKind.PORT_DEACCESSED, "2024-03-06 09:00"),
        fact(FactKind.PORT_ACCESSED, happened),
    ]

    assert (anchoring(on_a_line(*facts), DRESSING, None).anchor is not None) is counts


@pytest.mark.parametrize(
    ("each", "instant"),
    [
        (changed("2024-03-04 14:30", known="2024-03-04 14:20"), "2024-03-04 14:30"),
        (seen("2024-03-04 14:30", known="2024-03-04 14:20"), "2024-03-04 14:20"),
        (seen("2024-03-04 14:30", known="2024-03-04 15:00"), "2024-03-04 14:30"),
        (seen("2024-03-04", known="2024-03-04 15:00"), "2024-03-04 00:00"),
    ],
)
def test_a_finding_counts_from_its_entry_where_that_is_earlier(each, instant):
    assert counts_from(each) == at(instant)


def test_the_facts_of_two_lines_under_one_dressing_come_in_order_of_time():
    placed = inserted("2024-03-01 10:00", kind="introducer", source="Procedure/i", site="neck", side="left")
    through = inserted("2024-03-01 11:00", kind="pulmonary-artery", source="Procedure/p", site="neck", side="left")
    facts = (
        placed,
        through,
        changed("2024-03-04 08:00", part_of="Procedure/i", source="Procedure/2"),
        changed("2024-03-03 08:00", part_of="Procedure/p", source="Procedure/1"),
        changed("2024-03-05 08:00", part_of="Procedure/p", source="Procedure/3"),
    )
    (site,) = chart_of(*facts).sites

    found = facts_by(site, at("2024-03-04 08:00"))

    assert [each.fact.source for each in found] == ["Procedure/i", "Procedure/p", "Procedure/1", "Procedure/2"]
    assert [each.line.kind for each in found] == ["introducer", "pulmonary-artery", "pulmonary-artery", "introducer"]
