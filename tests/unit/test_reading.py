"""References, times, known times, codes and sites are read the same way whatever resource they stand in.

The forms of a literal reference: FHIR R4, references (http://hl7.org/fhir/R4/references.html#literal).
"""

from zoneinfo import ZoneInfo

import pytest

from linedays.core.model import FactKind
from linedays.core.moment import Moment, Precision, TimeProblem, exactly
from linedays.fhir.reading import ALWAYS, Reader, ignored, is_ours, says_nothing, shown
from linedays.fhir.records import Coding, Concept, Reference
from linedays.mapping.source_map import TimeFrom
from support.charted import OWN, at, device, encounter, observation, procedure, reader, record, recorded, stored, use


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("Device/d1", "Device/d1"),
        ("Device/d1/_history/3", "Device/d1"),
        ("https://chart.hospital.example/fhir/Device/d1", "Device/d1"),
        ("https://chart.hospital.example/fhir/Device/d1/_history/3", "Device/d1"),
        ("/Device/d1", "Device/d1"),
        ("Device/a_b.c-D", "Device/a_b.c-D"),
        ("urn:uuid:0a1b2c3d-0000-4000-8000-000000000000", "urn:uuid:0a1b2c3d-0000-4000-8000-000000000000"),
        ("urn:oid:1.2.3", "urn:oid:1.2.3"),
        ("urn:something:else", None),
        ("#d1", None),
        ("#", None),
        ("", None),
        ("Device", None),
        ("Device/", None),
        ("Device/d1/", None),
        ("Device/d 1", None),
        ("device/d1", None),
        ("Device?identifier=http://x.example/Ids/a|b", None),
        ("Device/" + "i" * 64, "Device/" + "i" * 64),
        ("Device/" + "i" * 65, None),
        ("Device/" + "i" * 1_000_000, None),
        ("A/" * 900 + "Device/d1", "Device/d1"),
    ],
)
def test_references(text, named):
    by = reader()
    assert by.reference(Reference(text)) == named
    assert by.reference(Reference(text)) == named  # the second time from memory


def test_no_reference_and_one_without_text_name_nothing():
    assert reader().reference(None) is None
    assert reader().reference(Reference()) is None


@pytest.mark.parametrize(
    ("text", "patient"),
    [
        ("Patient/p", "Patient/p"),
        ("https://chart.hospital.example/fhir/Patient/p/_history/2", "Patient/p"),
        ("urn:uuid:a-b", "urn:uuid:a-b"),
        ("Group/p", None),
        ("Device/p", None),
        ("Location/p", None),
        ("#p", None),
    ],
)
def test_only_a_patient_is_a_patient(text, patient):
    assert reader().patient(Reference(text)) == patient


def test_of_several_references_those_of_a_type_are_kept_in_order():
    named = [Reference("Medication/m"), None, Reference("#x"), Reference("Device/b"), Reference("Device/a")]
    assert reader().all_of(named, "Device") == ["Device/b", "Device/a"]


@pytest.mark.parametrize(
    ("midnight_is_day", "local", "text", "read"),
    [
        # Berlin is UTC+1 in March before the 29th: local midnight of 8 March is 23:00 UTC of 7 March.
        (False, False, "2026-03-08T00:00:00+01:00", exactly(at("2026-03-07T23:00:00Z"))),
        (
            True,
            False,
            "2026-03-08T00:00:00+01:00",
            Moment(at("2026-03-07T23:00:00Z"), at("2026-03-08T22:59:59Z"), Precision.DAY),
        ),
        (False, False, "2026-03-08", Moment(at("2026-03-07T23:00:00Z"), at("2026-03-08T22:59:59Z"), Precision.DAY)),
        (False, False, "2026-03-08T10:00:00", TimeProblem.NO_OFFSET),
        (False, True, "2026-03-08T10:00:00", exactly(at("2026-03-08T09:00:00Z"))),
        (False, False, "2026-02-30", TimeProblem.NO_SUCH_DAY),
        (False, False, "last night", TimeProblem.NOT_A_TIME),
    ],
)
def test_times_are_read_as_the_source_map_says(midnight_is_day, local, text, read):
    days = frozenset({TimeFrom.VALUE} if midnight_is_day else ())
    by = reader(midnight_is_day=days, local_if_no_offset=local)
    assert by.moment(text, TimeFrom.VALUE) == read
    if midnight_is_day:
        assert by.moment(text, TimeFrom.EFFECTIVE) == exactly(at(text))


STORED, ENTERED, DONE = "2026-03-08T10:20:00Z", "2026-03-08T10:10:00Z", "2026-03-08T10:00:00Z"
HAPPENED = exactly(at(DONE))


@pytest.mark.parametrize(
    ("resource", "known"),
    [
        # design 2.2.4: issued, the recorded extension, recordedOn, meta.lastUpdated, then the time of the fact itself
        (observation(issued=ENTERED, meta=stored(STORED)), ENTERED),
        (observation(issued=None, meta=stored(STORED)), STORED),
        (observation(issued=None), DONE),
        (procedure(extension=recorded(ENTERED), meta=stored(STORED)), ENTERED),
        (procedure(extension=[{"url": "urn:x:other", "valueDateTime": ENTERED}], meta=stored(STORED)), STORED),
        (procedure(meta=stored(STORED)), STORED),
        (procedure(), DONE),
        (use(recordedOn=ENTERED, meta=stored(STORED)), ENTERED),
        (use(recordedOn=None, meta=stored(STORED)), STORED),
        (device(meta=stored(STORED)), STORED),
        (device(meta=None), DONE),
        (encounter(meta=stored(STORED)), STORED),
        # one that cannot be read is none: the next one counts
        (observation(issued="yesterday", meta=stored(STORED)), STORED),
        (procedure(extension=recorded("2026-03-08T10:10:00"), meta=stored(STORED)), STORED),
        (procedure(meta=stored("soon")), DONE),
        (procedure(meta={"versionId": "2"}), DONE),
    ],
)
def test_known_time_is_the_first_that_exists(resource, known):
    assert reader().known(record(resource), HAPPENED) == at(known)


def test_source_map_may_count_a_fact_as_known_when_it_happened():
    shipped = reader().source_map.known
    by = reader(known=shipped | {"Procedure": ("happened",)})
    assert by.known(record(procedure(extension=recorded(ENTERED), meta=stored(STORED))), HAPPENED) == at(DONE)


def test_what_says_nothing_of_when_it_became_known_was_always_known():
    assert reader().known(record(device(meta=None)), None) == ALWAYS == 0


def test_entry_time_that_a_resource_cannot_state_is_none():
    by = reader(known={"Device": ("issued", "recorded", "updated")})
    assert by.known(record(device(meta=stored(STORED))), None) == at(STORED)


def test_time_of_storing_is_kept_beside_the_known_time():
    by = reader()
    assert by.stamps(record(procedure(extension=recorded(ENTERED), meta=stored(STORED))), HAPPENED) == (
        at(ENTERED),
        at(STORED),
    )
    assert by.stamps(record(procedure(extension=recorded(ENTERED))), HAPPENED) == (at(ENTERED), None)


LEFT, RIGHT = "7771000", "24028007"  # the side codes of the reference map


@pytest.mark.parametrize(
    ("concept", "site"),
    [
        (None, (None, None)),
        (Concept(), (None, None)),
        (Concept(text="  Right   Femoral. "), ("right femoral", None)),
        (Concept((Coding("urn:x:s", "20699002"),)), ("20699002", None)),
        (Concept((Coding("urn:x:s", "20699002"), Coding("urn:x:s", LEFT))), ("20699002", "left")),
        (Concept((Coding("urn:x:s", RIGHT), Coding("urn:x:s", "20699002"))), ("20699002", "right")),
        (Concept((Coding("urn:x:s", RIGHT),), "upper arm"), ("upper arm", "right")),
        (Concept((Coding("urn:x:s", None),), "upper arm"), ("upper arm", None)),
    ],
)
def test_sites_are_compared_as_charted(concept, site):
    assert reader().site(concept) == site


def test_reference_that_cannot_be_followed_is_never_taken_for_a_site():
    by = reader()
    assert by.reference(Reference("left arm")) is None
    assert by.site(Concept(text="left arm")) == ("left arm", None)
    assert by.reference(Reference("left arm")) is None


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("dressing-glanced-at", "the code 'dressing-glanced-at'"),
        ("LP_1.2-3", "the code 'LP_1.2-3'"),
        ("1961-04-02T10:00", "a code"),
        (None, "a code"),
        ("", "a code"),
        ("Sam Sample", "a code"),
        ("<script>", "a code"),
        ("a\nb", "a code"),
        ("x" * 61, "a code"),
    ],
)
def test_issue_quotes_a_code_only_where_it_is_written_as_one(given, words):
    assert shown(given) == words


def test_our_own_identifier_is_known_among_others():
    by = reader()
    assert is_ours(record(procedure(identifier=[{"system": "urn:x:a"}, {"system": OWN, "value": "1"}])), by)
    assert not is_ours(record(procedure(identifier=[{"system": "urn:x:a", "value": OWN}])), by)


@pytest.mark.parametrize("meta", [None, {"versionId": "2"}, stored(STORED, "1")])
def test_first_version_that_says_nothing_takes_nothing_back(meta):
    passed = says_nothing("not-final", record(observation(meta=meta)), "Patient/p", reader())
    assert passed is ignored("not-final")
    assert passed.retracted == ()


@pytest.mark.parametrize("meta", [stored(STORED, "2"), stored(STORED, "opaque"), stored(STORED)])
def test_later_version_that_says_nothing_takes_back_what_was_said(meta):
    passed = says_nothing("not-final", record(observation(meta=meta)), "Patient/p", reader())
    (fact,) = passed.retracted
    assert (passed.rule, fact.kind, fact.source) == ("not-final", FactKind.RETRACTED, "Observation/o1")
    assert (fact.known, fact.updated, fact.happened) == (at(STORED), at(STORED), exactly(at(STORED)))


def test_zone_gives_the_day_of_a_date():
    kathmandu = Reader(reader().source_map, ZoneInfo("Asia/Kathmandu"), OWN)
    # UTC+5:45: 8 March begins at 18:15 UTC of the 7th
    assert kathmandu.moment("2026-03-08").earliest == at("2026-03-07T18:15:00Z")


def test_an_entry_time_without_offset_is_local_where_the_source_map_says_so():
    # 10:05 in Berlin on 8 March 2026 (UTC+1) is 09:05 UTC.
    assert reader(local_if_no_offset=True).instant("2026-03-08T10:05:00") == at("2026-03-08T09:05:00Z")
    assert reader(local_if_no_offset=True).instant("last night") is None
    assert reader().instant("2026-03-08T10:05:00") is None
