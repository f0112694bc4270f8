"""Versions of resources → facts as known at a moment. Expected values by hand from design 2.2.4, 2.2.5, 2.7.5.

Source: this project's own definition of known time; FHIR R4 says what `meta.lastUpdated` and `issued` are
(http://hl7.org/fhir/R4/resource.html#Meta, http://hl7.org/fhir/R4/observation-definitions.html#Observation.issued).
"""

import pytest

from linedays.core.model import FactKind
from linedays.core.versions import facts_known
from support.builders import FAR, at, changed, device, fact, inactive, inserted, retracted, seen

ENTERED = "2026-03-02 10:00"
P = "Procedure/change"


def version(happened, *, known, updated, source=P, **says):
    return changed(happened, known=known, updated=updated, source=source, **says)


def told(*facts, known_by=FAR):
    by = at(known_by) if isinstance(known_by, str) else known_by
    return {(each.happened.earliest, each.known) for each in facts_known(facts, by).standing}


@pytest.mark.parametrize(
    ("known_by", "is_there"),
    [("2026-03-02 09:59:59", False), ("2026-03-02 10:00:00", True), ("2026-03-02 10:00:01", True)],
)
def test_a_fact_is_visible_from_its_known_time(known_by, is_there):
    known = facts_known((changed("2026-03-02 09:00", known=ENTERED, source=P),), at(known_by))

    assert [each.source for each in known.standing] == [P] * is_there
    assert known.later == (frozenset() if is_there else {P})


def test_a_copy_counts_once():
    one = changed("2026-03-02 09:00", source=P)

    assert facts_known((one, one, one), FAR).standing == [one]


@pytest.mark.parametrize(
    ("known_by", "happened"),
    [
        ("2026-03-02 09:59:59", None),
        ("2026-03-02 10:00:00", "2026-03-02 09:00"),
        ("2026-03-02 11:59:59", "2026-03-02 09:00"),
        ("2026-03-02 12:00:00", "2026-03-02 08:00"),
    ],
)
def test_the_latest_version_known_by_then_counts(known_by, happened):
    first = version("2026-03-02 09:00", known=ENTERED, updated="2026-03-02 10:00:05")
    corrected = version("2026-03-02 08:00", known="2026-03-02 12:00", updated="2026-03-02 12:00:05")

    found = facts_known((corrected, first), at(known_by)).standing

    assert [each.happened.earliest for each in found] == ([] if happened is None else [at(happened)])


def test_a_later_version_that_leaves_the_fact_keeps_the_first_known_time():
    first = version("2026-03-02 09:00", known=ENTERED, updated=ENTERED)
    touched = version("2026-03-02 09:00", known="2026-03-02 12:00", updated="2026-03-02 12:00")

    assert told(touched, first) == {(at("2026-03-02 09:00"), at(ENTERED))}


def test_one_fact_of_several_keeps_its_known_time_when_another_changes():
    """2.2.4 speaks of the fact: what one component said before is known since then, whatever was added to it."""
    first = [
        version("2026-03-02 09:00", known=ENTERED, updated=ENTERED),
        fact(FactKind.USED, "2026-03-02 09:00", known=ENTERED, updated=ENTERED, source=P),
    ]
    later = [
        version("2026-03-02 09:00", known="2026-03-02 12:00", updated="2026-03-02 12:00"),
        fact(FactKind.USED, "2026-03-02 09:30", known="2026-03-02 12:00", updated="2026-03-02 12:00", source=P),
    ]

    assert told(*first, *later) == {
        (at("2026-03-02 09:00"), at(ENTERED)),
        (at("2026-03-02 09:30"), at("2026-03-02 12:00")),
    }


def test_an_entry_time_told_before_does_not_speak_for_a_changed_fact():
    """2.7.5: `issued` unchanged while the fact changed → that version's `meta.lastUpdated`."""
    first = version("2026-03-02 09:00", known=ENTERED, updated="2026-03-02 10:00:05")
    corrected = version("2026-03-02 08:00", known=ENTERED, updated="2026-03-02 12:00:05")

    assert told(first, corrected) == {(at("2026-03-02 08:00"), at("2026-03-02 12:00:05"))}
    assert told(first, corrected, known_by="2026-03-02 12:00:04") == {(at("2026-03-02 09:00"), at(ENTERED))}


def test_an_entry_time_of_its_own_speaks_for_a_version():
    first = version("2026-03-02 09:00", known=ENTERED, updated=ENTERED)
    corrected = version("2026-03-02 08:00", known="2026-03-02 11:00", updated="2026-03-02 12:00")

    assert told(first, corrected) == {(at("2026-03-02 08:00"), at("2026-03-02 11:00"))}


def test_a_change_cannot_be_known_before_the_entry_time_it_repeats():
    """A server clock that runs behind: stored 09:59:30, entered 10:00."""
    first = version("2026-03-02 09:00", known=ENTERED, updated="2026-03-02 09:59:00")
    corrected = version("2026-03-02 08:00", known=ENTERED, updated="2026-03-02 09:59:30")

    assert told(first, corrected) == {(at("2026-03-02 08:00"), at(ENTERED))}


def test_a_retracted_resource_states_nothing_from_its_retraction_on():
    first = version("2026-03-02 09:00", known=ENTERED, updated=ENTERED)
    gone = retracted(P, "2026-03-02 12:00")

    assert told(first, gone, known_by="2026-03-02 11:59:59") == {(at("2026-03-02 09:00"), at(ENTERED))}
    after = facts_known((gone, first), at("2026-03-02 12:00"))
    assert (after.standing, after.later) == ([], frozenset())


def test_what_is_stated_again_after_a_retraction_is_known_from_then():
    first = version("2026-03-02 09:00", known=ENTERED, updated=ENTERED)
    gone = retracted(P, "2026-03-02 12:00")
    again = version("2026-03-02 09:00", known=ENTERED, updated="2026-03-02 13:00")

    assert told(first, gone, again, known_by="2026-03-02 12:59:59") == set()
    assert told(first, gone, again) == {(at("2026-03-02 09:00"), at("2026-03-02 13:00"))}


def test_a_retraction_without_a_stored_time_still_retracts():
    first = changed("2026-03-02 09:00", known=ENTERED, source=P)
    gone = fact(FactKind.RETRACTED, "2026-03-02 12:00", source=P)

    assert told(gone, first) == set()
    assert told(gone, first, known_by="2026-03-02 11:59:59") == {(at("2026-03-02 09:00"), at(ENTERED))}


def test_a_resource_known_only_as_retracted_states_nothing():
    assert facts_known((retracted(P, "2026-03-02 12:00"),), FAR).standing == []


@pytest.mark.parametrize("turned", [False, True])
def test_facts_of_one_version_with_known_times_of_their_own_are_each_judged_by_it(turned):
    row = "Observation/row"
    both = [
        fact(FactKind.CHARTED, "2026-03-02 10:00", known=ENTERED, source=row, slot="slot-1"),
        changed("2026-03-02 09:00", known="2026-03-02 09:00", source=row, slot="slot-1"),
    ]

    known = facts_known(both[::-1] if turned else both, at("2026-03-02 09:30"))

    assert [each.kind for each in known.standing] == [FactKind.DRESSING_CHANGED]
    assert known.later == frozenset()


def test_a_record_without_a_time_of_its_own_is_known_since_its_first_version():
    """A Device is dated by when it became known: a later date of storage says nothing new."""
    first = device("Device/a", ENTERED, updated=ENTERED)
    touched = device("Device/a", "2026-03-05 10:00", updated="2026-03-05 10:00")
    out = inactive("Device/a", "2026-03-05 10:00", updated="2026-03-05 10:00")

    known = facts_known((touched, out, first), FAR)

    assert {(each.kind, each.known) for each in known.standing} == {
        (FactKind.DEVICE, at(ENTERED)),
        (FactKind.REMOVED, at("2026-03-05 10:00")),
    }


def test_the_end_of_a_record_is_known_since_the_first_version_that_says_so():
    facts = [
        each
        for day in ("2026-03-05 10:00", "2026-03-09 10:00")
        for each in (device("Device/a", day, updated=day), inactive("Device/a", day, updated=day))
    ]

    assert {(each.kind, each.happened.earliest) for each in facts_known(facts, FAR).standing} == {
        (FactKind.DEVICE, at("2026-03-05 10:00")),
        (FactKind.REMOVED, at("2026-03-05 10:00")),
    }


def test_a_creating_resource_is_known_since_its_first_version_even_if_it_was_corrected():
    first = inserted("2026-03-02 09:00", known=ENTERED, updated=ENTERED, source="Procedure/in")
    corrected = inserted(
        "2026-03-02 08:00", known="2026-03-04 10:00", updated="2026-03-04 10:00", source="Procedure/in"
    )
    looked = [
        seen("2026-03-02 09:00", known=day, updated=day, source="Observation/look")
        for day in (ENTERED, "2026-03-03 10:00")
    ]

    assert facts_known((corrected, first, *looked), FAR).first == {"Procedure/in": at(ENTERED)}
