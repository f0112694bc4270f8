"""Resources of whole patients become charts and states, each resource accounted for once (design 2.3.11, 2.3.12, 2.2.5).

Hazards named: H01 (wrong patient), H02 (dropped without a word), H12 (look-alikes), H21 (charted out, still in).
"""

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linedays.core.model import FactKind, IssueKind, Whereabouts
from linedays.core.moment import exactly
from linedays.fhir.set_aside import set_aside, told_last
from linedays.run.derive import charts_of, collect_all, derive, derive_all, derive_by_patient
from support.charted import (
    SCT,
    about,
    at,
    code,
    device,
    encounter,
    location,
    observation,
    person,
    procedure,
    raw,
    recorded,
    ref,
    stored,
    use,
)
from support.pipeline import instance

NOW = at("2026-03-12T12:00:00Z")
IN = "2026-03-02T10:00:00Z"


def rows(*resources):
    return [(f"some.ndjson:{number}", raw(resource)) for number, resource in enumerate(resources, 1)]


def derived(*resources, known_by=NOW):
    return derive_all(rows(*resources), instance(), at=NOW, known_by=known_by)


def inserted(**other):
    return procedure(
        "insertion", **({"id": "in", "performedDateTime": IN, "extension": recorded("2026-03-02T10:10:00Z")} | other)
    )


def changed(**other):
    return procedure(**({"extension": recorded("2026-03-08T10:10:00Z")} | other))


LINE = (person(), device(), inserted())
OTHER_LINE = (
    person(id="q"),
    device(id="e", patient=ref("Patient/q")),
    inserted(id="in-q", subject=ref("Patient/q"), focalDevice=[about("Device/e")]),
)


def tally(derivation):
    """Return (read, used, ignored, issues) by type, after checking that they add up."""
    found = {row.name: (row.read, row.used, dict(row.ignored), row.issues) for row in derivation.tally}
    for read, used, ignored, issues in found.values():
        assert read == used + sum(ignored.values()) + issues
        assert min(used, issues, *ignored.values(), 0) == 0
    return found


def timelines(derivation, patient="Patient/p"):
    return [
        timeline
        for result in derivation.results
        if result.chart.person.id == patient
        for site in result.chart.sites
        for timeline in site.timelines
    ]


def kinds(derivation, patient="Patient/p"):
    return sorted(fact.kind for timeline in timelines(derivation, patient) for fact in timeline.facts)


def test_a_line_with_a_change_is_derived_and_every_resource_used():
    found = derived(*LINE, changed(), encounter(location=[{"location": ref("Location/ward")}]), location())
    assert kinds(found) == [FactKind.DRESSING_CHANGED, FactKind.INSERTED]
    assert [state.unit for result in found.results for state in result.states] == ["Location/ward"]
    assert found.issues == ()
    assert tally(found) == {
        "Device": (1, 1, {}, 0),
        "Encounter": (1, 1, {}, 0),
        "Location": (1, 1, {}, 0),
        "Patient": (1, 1, {}, 0),
        "Procedure": (2, 2, {}, 0),
    }


def test_nothing_read_is_nothing_derived():
    found = derived()
    assert (found.results, found.tally, found.issues, found.places) == ((), (), (), {})


class TestSubjectsMustAgree:
    """H01; design 2.3.11: if not, the input is an issue and touches no line."""

    @pytest.mark.parametrize(
        "foreign",
        [
            changed(focalDevice=[about("Device/e")]),
            changed(encounter=ref("Encounter/of-q")),
            observation(device=ref("Device/e"), valueCodeableConcept=code("loose", "dressing-condition")),
            use(device=ref("Device/e")),
            inserted(id="in2", focalDevice=[about("Device/e")]),
            # one device of two is another patient's: nothing of it is used
            changed(focalDevice=[about("Device/d"), about("Device/e")]),
        ],
    )
    def test_what_names_another_patients_line_or_stay_touches_none(self, foreign):
        other = (*OTHER_LINE, encounter(id="of-q", subject=ref("Patient/q")))
        before, found = derived(*LINE, *other), derived(*LINE, *other, foreign)
        assert [result.states for result in found.results] == [result.states for result in before.results]
        (issue,) = found.issues
        assert (issue.kind, issue.used, issue.patient) == (IssueKind.SUBJECT_MISMATCH, False, "Patient/p")
        name = foreign["resourceType"]
        assert issue.source == f"{name}/{foreign['id']}"
        assert tally(found)[name][3] == 1

    def test_copy_of_a_foreign_one_is_a_duplicate(self):
        foreign = changed(focalDevice=[about("Device/e")])
        found = derived(*LINE, *OTHER_LINE, foreign, foreign)
        assert len(found.issues) == 1
        assert tally(found)["Procedure"] == (4, 2, {"duplicate": 1}, 1)

    def versions(self, first, second):
        return (
            changed(focalDevice=[about(first)], meta=stored("2026-03-08T10:20:00Z", "1")),
            changed(focalDevice=[about(second)], meta=stored("2026-03-08T11:00:00Z", "2")),
        )

    def test_link_that_was_corrected_counts_from_then_on(self):
        found = derived(*LINE, *OTHER_LINE, *self.versions("Device/e", "Device/d"))
        assert kinds(found) == [FactKind.DRESSING_CHANGED, FactKind.INSERTED]
        assert found.issues == ()
        assert tally(found)["Procedure"] == (4, 3, {"superseded-version": 1}, 0)

    def test_link_that_was_spoilt_takes_the_earlier_version_with_it(self):
        found = derived(*LINE, *OTHER_LINE, *self.versions("Device/d", "Device/e"))
        assert kinds(found) == [FactKind.INSERTED]
        assert [issue.kind for issue in found.issues] == [IssueKind.SUBJECT_MISMATCH]
        assert tally(found)["Procedure"] == (4, 2, {"superseded-version": 1}, 1)

    def test_device_and_encounter_of_nobody_we_know_are_no_mismatch(self):
        found = derived(*LINE, changed(encounter=ref("Encounter/unread")))
        assert (kinds(found), found.issues) == ([FactKind.DRESSING_CHANGED, FactKind.INSERTED], ())


PUMP = device(id="pump", type={"text": "infusion pump"})


class TestDevicesThatAreNoLines:
    """H12: any wound has a dressing, any implant an insertion; a device that was read and is no line makes none."""

    @pytest.mark.parametrize(
        "charted",
        [
            procedure(id="x", code={"text": "seen to"}, focalDevice=[about("Device/pump", "implanted")]),
            procedure(id="x", code={"text": "seen to"}, focalDevice=[about("Device/pump", "explanted")]),
            procedure(id="x", code=code("18949003", SCT), focalDevice=[about("Device/pump")]),
            use(device=ref("Device/pump")),
        ],
    )
    def test_what_counts_only_with_a_line_is_ignored_by_a_rule(self, charted):
        before, found = derived(*LINE, PUMP), derived(*LINE, PUMP, charted)
        assert (found.results, found.issues) == (before.results, ())
        assert tally(found)[charted["resourceType"]][2] == {"device-not-a-line": 1}

    def test_both_devices_of_one_procedure_are_told_apart(self):
        both = procedure(id="x", code=code("18949003", SCT), focalDevice=[about("Device/pump"), about("Device/d")])
        found = derived(*LINE, PUMP, both)
        assert kinds(found) == [FactKind.DRESSING_CHANGED, FactKind.INSERTED]
        assert tally(found)["Procedure"] == (2, 2, {}, 0)

    def test_what_names_a_line_counts(self):
        gone = procedure(id="x", code={"text": "x"}, focalDevice=[about("Device/d", "explanted")])
        assert FactKind.REMOVED in kinds(derived(*LINE, gone))
        assert FactKind.REMOVED in kinds(derived(*LINE, use()))
        general = changed(code=code("18949003", SCT))
        assert FactKind.DRESSING_CHANGED in kinds(derived(*LINE, general))

    def test_change_of_ours_on_a_device_that_is_no_line_is_an_issue(self):
        found = derived(*LINE, PUMP, changed(focalDevice=[about("Device/pump")]))
        assert [issue.kind for issue in found.issues] == [IssueKind.NO_LINE]
        assert tally(found)["Procedure"] == (2, 1, {}, 1)

    def test_device_that_was_not_read_is_not_known_to_be_none(self):
        # H02: what is not known is shown, not dropped
        found = derived(person(), procedure(code={"text": "x"}, focalDevice=[about("Device/unread", "implanted")]))
        (timeline,) = timelines(found)
        assert timeline.line.kind == "unknown"


class TestVersions:
    first, second = stored("2026-03-08T10:20:00Z", "1"), stored("2026-03-08T12:00:00Z", "2")

    def test_the_same_resource_twice_counts_once(self):
        found = derived(*LINE, *LINE, changed(), changed())
        assert kinds(found) == [FactKind.DRESSING_CHANGED, FactKind.INSERTED]
        assert tally(found) == {
            "Device": (2, 1, {"duplicate": 1}, 0),
            "Patient": (2, 1, {"duplicate": 1}, 0),
            "Procedure": (4, 2, {"duplicate": 2}, 0),
        }

    def test_later_version_takes_the_place_of_the_earlier(self):
        found = derived(
            *LINE, changed(meta=self.first), changed(meta=self.second, performedDateTime="2026-03-07T10:00:00Z")
        )
        (change,) = (fact for line in timelines(found) for fact in line.facts if fact.kind is FactKind.DRESSING_CHANGED)
        assert change.happened == exactly(at("2026-03-07T10:00:00Z"))
        assert tally(found)["Procedure"] == (3, 2, {"superseded-version": 1}, 0)

    @pytest.mark.parametrize("status", ["entered-in-error", "in-progress", "stopped"])
    def test_version_that_says_nothing_takes_the_earlier_one_back(self, status):
        found = derived(*LINE, changed(meta=self.first), changed(meta=self.second, status=status))
        assert kinds(found) == [FactKind.INSERTED]
        rule = "entered-in-error" if status == "entered-in-error" else "not-completed"
        assert tally(found)["Procedure"] == (3, 1, {rule: 1, "superseded-version": 1}, 0)

    def test_removal_corrected_to_not_done_leaves_the_line_in(self):
        # H21
        out = procedure("removal", id="out", meta=self.first)
        found = derived(*LINE, out, out | {"meta": self.second, "status": "not-done"})
        assert [timeline.line.end for timeline in timelines(found)] == [None]

    def test_version_that_speaks_after_one_that_said_nothing_is_used(self):
        third = stored("2026-03-08T13:00:00Z", "3")
        charted = [changed(meta=self.second, status="in-progress"), changed(meta=third)]
        for order in (charted, charted[::-1]):
            found = derived(*LINE, *order)
            assert kinds(found) == [FactKind.DRESSING_CHANGED, FactKind.INSERTED]
            assert tally(found)["Procedure"] == (3, 2, {"not-completed": 1}, 0)

    def test_what_became_known_later_is_not_seen_and_counted_as_such(self):
        found = derived(*LINE, changed(), known_by=at("2026-03-08T10:09:59Z"))
        assert kinds(found) == [FactKind.INSERTED]
        assert tally(found)["Procedure"] == (2, 1, {"not-known-yet": 1}, 0)

    def test_answer_that_is_not_known_yet_leaves_the_retraction_standing(self):
        charted = [
            changed(meta=stored("2026-03-08T10:30:00Z", "2"), status="in-progress"),
            changed(meta=self.second, extension=recorded("2026-03-08T11:50:00Z")),
        ]
        found = derived(*LINE, *charted, known_by=at("2026-03-08T11:00:00Z"))
        assert kinds(found) == [FactKind.INSERTED]
        read, used, ignored, issues = tally(found)["Procedure"]
        assert (read, used, issues, sum(ignored.values()), found.issues) == (3, 1, 0, 2, ())


OVER = {"status": "finished", "period": {"start": "2026-03-01T06:00:00Z", "end": "2026-03-10T10:00:00Z"}}


class TestStays:
    first, second = stored("2026-03-01T06:05:00Z", "1"), stored("2026-03-10T10:05:00Z", "2")

    def test_discharge_counts_once_it_is_known(self):
        stays = (encounter(meta=self.first), encounter(meta=self.second, **OVER))
        for order in (stays, stays[::-1]):
            found = derived(*LINE, *order)
            assert [stay.status for result in found.results for stay in result.chart.stays] == ["finished"]
            assert tally(found)["Encounter"] == (2, 1, {"superseded-version": 1}, 0)
            before = derived(*LINE, *order, known_by=at("2026-03-09T00:00:00Z"))
            assert [stay.status for result in before.results for stay in result.chart.stays] == ["in-progress"]
            assert tally(before)["Encounter"] == (2, 1, {"not-known-yet": 1}, 0)

    def test_stay_entered_in_error_was_never_there(self):
        found = derived(*LINE, encounter(meta=self.first), encounter(meta=self.second, status="entered-in-error"))
        assert [result.chart.stays for result in found.results] == [()]
        assert tally(found)["Encounter"] == (2, 0, {"entered-in-error": 1, "superseded-version": 1}, 0)

    def test_the_same_stay_twice_is_a_duplicate(self):
        assert tally(derived(*LINE, encounter(), encounter()))["Encounter"] == (2, 1, {"duplicate": 1}, 0)

    def test_parts_of_one_stay_have_one_top(self):
        found = derived(
            *LINE,
            encounter(),
            encounter(id="e2", partOf=ref("Encounter/e1")),
            encounter(id="e3", partOf=ref("Encounter/e2")),
        )
        assert {stay.top for result in found.results for stay in result.chart.stays} == {"Encounter/e1"}

    def died_by_stay(self, **other):
        disposition = code("exp", "http://terminology.hl7.org/CodeSystem/discharge-disposition")
        return encounter(
            **({"meta": self.second, "hospitalization": {"dischargeDisposition": disposition}} | OVER | other)
        )

    def test_death_by_the_stay_and_by_the_patient(self):
        (result,) = derived(*LINE, self.died_by_stay()).results
        assert result.chart.person.died == exactly(at("2026-03-10T10:00:00Z"))
        told = person(deceasedDateTime="2026-03-10T09:00:00Z")
        (result,) = derived(told, device(), inserted(), self.died_by_stay()).results
        assert result.chart.person.died == exactly(at("2026-03-10T09:00:00Z"))

    def test_death_that_was_corrected_is_none(self):
        corrected = encounter(meta=stored("2026-03-10T12:00:00Z", "3"), **OVER)
        for order in ((self.died_by_stay(), corrected), (corrected, self.died_by_stay())):
            (result,) = derived(*LINE, *order).results
            assert result.chart.person.died is None

    def test_patient_without_a_line_has_a_chart_for_the_counting_of_days(self):
        collected = collect_all(
            rows(
                *LINE,
                encounter(id="eq", subject=ref("Patient/q")),
                self.died_by_stay(id="er", subject=ref("Patient/r")),
            ),
            instance(),
        )
        derivation = derive(collected, instance(), at=NOW, known_by=NOW)
        charts = {chart.person.id: chart for chart in charts_of(collected, derivation)}
        assert sorted(charts) == ["Patient/p", "Patient/q", "Patient/r"]
        assert ([stay.id for stay in charts["Patient/q"].stays], charts["Patient/q"].sites) == (["Encounter/eq"], ())
        assert charts["Patient/r"].person.died == exactly(at("2026-03-10T10:00:00Z"))
        assert len(charts["Patient/p"].sites) == 1


def test_gestational_age_counts_once_it_is_known():
    told = observation(
        "gestational-age-at-birth", issued="2026-03-05T10:00:00Z", valueQuantity={"value": 28, "code": "wk"}
    )
    for known_by, days in (("2026-03-05T09:59:59Z", None), ("2026-03-05T10:00:00Z", 196)):
        (result,) = derived(*LINE, told, known_by=at(known_by)).results
        assert result.chart.person.gestation_days == days


def test_patient_who_was_not_read_is_one_of_whom_nothing_is_known():
    (result,) = derived(device(), inserted()).results
    assert (result.chart.person.id, result.chart.person.birth, result.chart.person.died) == ("Patient/p", None, None)


def test_deriving_leaves_what_was_collected_as_it_was():
    foreign = changed(focalDevice=[about("Device/e")])
    collected = collect_all(rows(*LINE, *OTHER_LINE, PUMP, foreign, use(device=ref("Device/pump"))), instance())
    first = derive(collected, instance(), at=NOW, known_by=NOW)
    assert derive(collected, instance(), at=NOW, known_by=NOW) == first
    assert len(first.issues) == 1


def test_groups_of_whole_patients_give_what_the_whole_gives():
    ward = location()
    groups = [
        rows(ward, *LINE, encounter(location=[{"location": ref("Location/ward")}])),
        rows(*OTHER_LINE, encounter(id="eq", subject=ref("Patient/q"), location=[{"location": ref("Location/ward")}])),
    ]
    found = list(derive_by_patient(groups, instance(), at=NOW, known_by=NOW))
    whole = derive_all([row for group in groups for row in group], instance(), at=NOW, known_by=NOW)
    assert [result for one in found for result in one.results] == list(whole.results)
    assert [state.unit for one in found for result in one.results for state in result.states] == ["Location/ward"] * 2


def test_location_that_nobody_classed_is_told_where_a_patient_was_there():
    shed = location("shed", type=None)
    there = encounter(location=[{"location": ref("Location/shed")}])
    assert derived(*LINE, shed).issues == ()
    (issue,) = derived(*LINE, shed, there).issues
    assert (issue.source, issue.used) == ("Location/shed", True)


def test_truncated_resource_costs_no_other():
    found = derive_all([*rows(*LINE), ("some.ndjson:9", raw(changed())[:99])], instance(), at=NOW, known_by=NOW)
    assert kinds(found) == [FactKind.INSERTED]
    assert [(issue.kind, issue.source) for issue in found.issues] == [
        (IssueKind.BAD_JSON, "a resource in some.ndjson:9")
    ]


# --- used + ignored + issues = read, and used is what stands ---------------------------------------------------------

METAS = st.sampled_from(
    [stored("2026-03-08T10:30:00Z", "1"), stored("2026-03-09T10:30:00Z", "2"), stored("2026-03-10T10:30:00Z", "3")]
)
DEVICES = st.sampled_from(["Device/d", "Device/e", "Device/pump", "Device/unread"])
CHARTED = st.one_of(
    st.builds(
        lambda who, word, status, meta, named, encountered: procedure(
            word, id=who[0], status=status, meta=meta, focalDevice=[about(named)], subject=ref(who[1]), encounter=ref(encountered)
        ),
        st.sampled_from([("a", "Patient/p"), ("b", "Patient/p"), ("c", "Patient/q")]),
        st.sampled_from(["dressing-change", "insertion", "removal", "line-access", "guidewire-exchange", "connector-change"]),
        st.sampled_from(["completed", "completed", "not-done", "entered-in-error", "in-progress"]),
        METAS,
        DEVICES,
        st.sampled_from(["Encounter/e1", "Encounter/of-q"]),
    ),
    st.builds(
        lambda name, meta, named, status: use(id=name, meta=meta, device=ref(named), status=status),
        st.sampled_from(["a", "b"]), METAS, DEVICES, st.sampled_from(["completed", "active", "entered-in-error"]),
    ),
    st.builds(lambda meta, status: encounter(meta=meta, status=status), METAS, st.sampled_from(["in-progress", "entered-in-error"])),
    st.builds(lambda meta, who: device(meta=meta, patient=ref(who)), METAS, st.sampled_from(["Patient/p", "Patient/q"])),
    st.builds(lambda meta: person(meta=meta), METAS),
    st.sampled_from([location(), {"resourceType": "Medication", "id": "m"}, {"resourceType": "Procedure"}]),
)  # fmt: skip


def one_content(charted):
    """Return the rows with each version of a resource saying one thing: the first that was drawn."""
    said = {}
    return [said.setdefault((one["resourceType"], one.get("id"), str(one.get("meta"))), one) for one in charted]


@given(
    st.lists(CHARTED, max_size=14).map(one_content),
    st.sampled_from([NOW, at("2026-03-09T12:00:00Z"), at("2026-03-01T00:00:00Z")]),
)
def test_every_resource_is_counted_once_and_used_is_never_negative(charted, known_by):
    resources = (*LINE, *OTHER_LINE, PUMP, encounter(id="of-q", subject=ref("Patient/q")), *charted)
    found = derived(*resources, known_by=known_by)
    counted = tally(found)
    assert {name: row[0] for name, row in counted.items()} == Counter(one["resourceType"] for one in resources)
    # at most one version of a resource is used
    for name, (_, used, _, _) in counted.items():
        assert used <= len({one.get("id") for one in resources if one["resourceType"] == name})


@given(
    st.lists(CHARTED, max_size=10)
    .map(one_content)
    .flatmap(lambda rows: st.tuples(st.just(rows), st.permutations(rows)))
)
def test_set_aside_does_not_depend_on_the_order_of_reading(both):
    given_twice = [collect_all(rows(*LINE, *OTHER_LINE, PUMP, *order), instance()) for order in both]
    one, other = (set_aside(collected) for collected in given_twice)
    assert one.counted_ignored == other.counted_ignored
    assert one.counted_issues == other.counted_issues
    assert {who: Counter(facts) for who, facts in one.facts.items()} == {
        who: Counter(facts) for who, facts in other.facts.items()
    }


def test_without_retractions_everything_was_told_last():
    facts = collect_all(rows(*LINE), instance()).facts["Patient/p"]
    assert told_last(facts, NOW) is facts


class TestModifierThatIsNotUnderstood:
    """FHIR R4B, BackboneElement.modifierExtension; the safe side is the one on which somebody looks."""

    MODIFIER = ({"url": "https://chart.hospital.example/not"},)

    @pytest.mark.parametrize("status", ["completed", "entered-in-error"])
    def test_change_that_it_may_reverse_clears_nothing_any_more(self, status):
        later = changed(meta=stored("2026-03-11T00:00:00Z", "2"), status=status, modifierExtension=self.MODIFIER)
        found = derived(*LINE, changed(), later)
        assert kinds(found) == [FactKind.INSERTED]
        tally(found)

    def test_stay_in_which_it_stands_does_not_end_the_watch(self):
        before = encounter(id="e1", status="finished", period={"start": "2026-02-01T00:00:00Z", "end": "2026-02-03T00:00:00Z"})
        place = {"location": ref("Location/ward"), "modifierExtension": self.MODIFIER}
        now = encounter(id="e2", status="in-progress", period={"start": "2026-03-01T00:00:00Z"}, location=[place])
        found = derived(*LINE, before, now, location())
        assert [(state.whereabouts, bool(state.items)) for result in found.results for state in result.states] == [
            (Whereabouts.IN_PLACE, True)
        ]
        assert [issue.kind for issue in found.issues] == [IssueKind.MODIFIED]
