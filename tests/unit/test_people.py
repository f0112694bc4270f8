"""Patients, Encounters and Locations become persons, stays and places (design 2.2.1, 2.3.9, 2.4); a part that cannot be
read is named and left open, so that no stay is lost whole and no watch ends by a slip of typing (H26).
"""

from zoneinfo import ZoneInfo

import pytest

from linedays.core.model import IssueKind, PlaceClass, PlaceSpan, Stay
from linedays.core.moment import DAY, Moment, Precision, exactly
from linedays.fhir.collected import Collected
from linedays.fhir.known_persons import known_person, known_persons
from linedays.fhir.normalise import collect
from linedays.fhir.people import Ignored, StayRead, latest_known, stays_known, with_tops
from linedays.fhir.places import TIMEZONE, location_of, places_of
from support.charted import at, code, encounter, location, person, raw, read, reader, record, ref, stored
from support.pipeline import instance

ROLE = "http://terminology.hl7.org/CodeSystem/v3-RoleCode"
PHYSICAL = "http://terminology.hl7.org/CodeSystem/location-physical-type"
START = at("2026-03-01T06:00:00Z")


class TestPerson:
    @pytest.mark.parametrize(
        ("text", "first", "days", "precision"),
        [
            # Berlin by the IANA zone table: UTC+1 in April 1960 (no summer time that year), +0:53:28 (local mean time) in 1850
            ("1960-04-02", "1960-04-01T23:00:00Z", 1, Precision.DAY),
            ("2026-03", "2026-02-28T23:00:00Z", 31, Precision.MONTH),
            ("1850", "1849-12-31T23:06:32Z", 365, Precision.YEAR),
        ],
    )
    def test_birth_keeps_its_precision(self, text, first, days, precision):
        found, issues = read(person(birthDate=text))
        assert (found.id, found.birth.precision, issues) == ("Patient/p", precision, ())
        assert found.birth.earliest == at(first)
        # March 2026 holds the change to summer time: one hour less
        assert found.birth.latest - found.birth.earliest + 1 == days * DAY - (3600 if text == "2026-03" else 0)

    def test_nothing_told_is_nothing_known(self):
        found, _ = read(person(birthDate=None))
        assert (found.birth, found.died, found.gestation_days) == (None, None, None)

    def test_death_at_a_time(self):
        assert read(person(deceasedDateTime="2026-03-09T04:00:00Z"))[0].died == exactly(at("2026-03-09T04:00:00Z"))
        assert read(person(deceasedDateTime="2026-03-09"))[0].died.precision is Precision.DAY

    def test_death_without_a_time_is_known_from_when_it_was_stored(self):
        told = person(deceasedBoolean=True, meta=stored("2026-03-09T05:00:00Z"))
        assert read(told)[0].died == exactly(at("2026-03-09T05:00:00Z"))
        assert read(person(deceasedBoolean=True))[0].died == exactly(0)

    def test_alive(self):
        assert read(person(deceasedBoolean=False))[0].died is None

    def test_birth_date_that_cannot_be_read_loses_neither_the_person_nor_the_death(self):
        found, (issue,) = read(person(birthDate="2.4.1960", deceasedDateTime="2026-03-09T04:00:00Z"))
        assert (found.birth, found.died) == (None, exactly(at("2026-03-09T04:00:00Z")))
        assert (issue.kind, issue.used, issue.source) == (IssueKind.BAD_TIME, True, "Patient/p")
        assert "birthDate" in issue.text
        assert "1960" not in issue.text

    def test_death_with_a_time_that_cannot_be_read_is_a_death(self):
        found, (issue,) = read(person(deceasedDateTime="last night", meta=stored("2026-03-09T05:00:00Z")))
        assert found.died == exactly(at("2026-03-09T05:00:00Z"))
        assert found.birth is not None
        assert "deceasedDateTime" in issue.text


T1, T2, T3 = "2026-03-09T05:00:00Z", "2026-03-10T05:00:00Z", "2026-03-11T05:00:00Z"
DEAD = {"deceasedBoolean": True}
AT_NIGHT = {"deceasedDateTime": "2026-03-09T02:00:00Z"}


def person_by(by, *resources, known=("updated", "happened"), order=1):
    """Return Patient/p as known by a moment, of versions read in an order."""
    read_by = reader()
    read_by = reader(known=read_by.source_map.known | {"Patient": known})
    found = Collected(read_by)
    for resource in resources[::order]:
        collect(found, raw(resource), "some.ndjson:1")
    return known_person("Patient/p", known_persons(found, at(by)), ())


@pytest.mark.parametrize("order", [1, -1])
class TestDeathByAMoment:
    """Design 2.2.4: a death is known from the version that said it first; one that is taken back was never so."""

    @pytest.mark.parametrize(("by", "died"), [("2026-03-09T04:59:59Z", None), (T1, T1), (T3, T1)])
    def test_without_a_time_it_is_known_from_when_it_was_first_stored(self, by, died, order):
        versions = [person(**DEAD, meta=stored(T1)), person(**DEAD, gender="other", meta=stored(T2))]
        found = person_by(by, *versions, order=order)
        assert found.died == (None if died is None else exactly(at(died)))
        assert found.birth is not None

    @pytest.mark.parametrize(("by", "died"), [("2026-03-09T04:59:59Z", None), (T1, "2026-03-09T02:00:00Z")])
    def test_with_a_time_it_is_known_from_when_it_was_stored_and_happened_before(self, by, died, order):
        found = person_by(by, person(meta=stored("2026-03-01T05:00:00Z")), person(**AT_NIGHT, meta=stored(T1)), order=order)
        assert found.died == (None if died is None else exactly(at(died)))

    @pytest.mark.parametrize("taken_back", [{"deceasedBoolean": False}, {}])
    @pytest.mark.parametrize("told", [DEAD, AT_NIGHT])
    def test_taken_back(self, told, taken_back, order):
        versions = [person(**told, meta=stored(T1)), person(**taken_back, meta=stored(T2))]
        assert person_by("2026-03-10T04:59:59Z", *versions, order=order).died is not None
        assert person_by(T2, *versions, order=order).died is None

    def test_said_again_after_it_was_taken_back_is_known_from_then(self, order):
        versions = [
            person(**DEAD, meta=stored(T1)), person(meta=stored(T2)), person(**DEAD, meta=stored(T3)),
        ]  # fmt: skip
        assert person_by(T3, *versions, order=order).died == exactly(at(T3))
        assert person_by("2026-03-11T04:59:59Z", *versions, order=order).died is None

    def test_time_told_later_counts_from_then(self, order):
        versions = [person(**DEAD, meta=stored(T1)), person(**AT_NIGHT, meta=stored(T2))]
        assert person_by(T1, *versions, order=order).died == exactly(at(T1))
        assert person_by(T2, *versions, order=order).died == exactly(at("2026-03-09T02:00:00Z"))

    def test_time_that_cannot_be_read_is_none(self, order):
        versions = [person(**DEAD, meta=stored(T1)), person(deceasedDateTime="last night", meta=stored(T2))]
        assert person_by(T2, *versions, order=order).died == exactly(at(T1))

    @pytest.mark.parametrize(("by", "dead"), [("2026-03-09T01:59:59Z", False), ("2026-03-09T02:00:00Z", True)])
    def test_where_the_map_says_happened_it_is_known_when_it_happened(self, by, dead, order):
        versions = [person(meta=stored(T1)), person(**AT_NIGHT, meta=stored(T2))]
        assert (person_by(by, *versions, known=("happened",), order=order).died is not None) is dead

    def test_without_any_stored_time_it_is_always_known(self, order):
        assert person_by("2026-03-01T00:00:00Z", person(**DEAD), order=order).died == exactly(0)

    def test_birth_date_corrected_later(self, order):
        versions = [person(birthDate="1950-01-01", meta=stored(T1)), person(meta=stored(T2))]
        # Berlin, UTC+1: each day begins at 23:00 UTC of the day before. Before anything was stored, the first one counts.
        for by, born in (("2026-03-01T00:00:00Z", "1949-12-31"), (T1, "1949-12-31"), (T2, "1960-04-01")):
            assert person_by(by, *versions, order=order).birth.earliest == at(f"{born}T23:00:00Z")


class TestStay:
    def test_a_stay(self):
        charted = encounter(
            partOf=ref("Encounter/top"),
            status="finished",
            period={"start": "2026-03-01T06:00:00Z", "end": "2026-03-12T10:00:00Z"},
            location=[
                {
                    "location": ref("Location/a"),
                    "status": "completed",
                    "period": {"start": "2026-03-01T06:00:00Z", "end": "2026-03-02T08:00:00Z"},
                },
                {"location": ref("Location/b"), "status": "active", "period": {"start": "2026-03-02T08:00:00Z"}},
            ],
        )
        assert read(charted) == StayRead(
            patient="Patient/p",
            stay=Stay(
                id="Encounter/e1",
                top="Encounter/top",
                status="finished",
                encounter_class="IMP",
                start=START,
                end=at("2026-03-12T10:00:00Z"),
                known=at("2026-03-01T06:05:00Z"),
                places=(
                    PlaceSpan(place="Location/a", start=START, end=at("2026-03-02T08:00:00Z")),
                    PlaceSpan(place="Location/b", start=at("2026-03-02T08:00:00Z"), end=None),
                ),
            ),
        )

    def test_bare_stay(self):
        bare = {"class": None, "meta": None, "location": [{"location": ref("Location/a")}]}
        stay = read(encounter(**bare)).stay
        assert (stay.top, stay.encounter_class, stay.known, stay.end) == ("Encounter/e1", "", START, None)
        assert stay.places == (PlaceSpan(place="Location/a", start=START),)

    def test_day_precision_begins_at_its_first_moment_and_ends_at_its_last(self):
        stay = read(encounter(period={"start": "2026-03-01", "end": "2026-03-12"})).stay
        # Berlin, UTC+1
        assert (stay.start, stay.end) == (at("2026-02-28T23:00:00Z"), at("2026-03-12T22:59:59Z"))

    @pytest.mark.parametrize(
        "status", ["planned", "arrived", "triaged", "in-progress", "onleave", "finished", "cancelled", "unknown"]
    )
    def test_status_is_kept(self, status):
        assert read(encounter(status=status)).stay.status == status

    @pytest.mark.parametrize(
        "each", [{"status": "planned"}, {"status": "reserved"}, {"location": ref("#x")}, {"location": {}}]
    )
    def test_locations_where_the_patient_is_not(self, each):
        found = read(encounter(location=[{"location": ref("Location/a")} | each]))
        assert (found.stay.places, found.issues) == ((), ())

    @pytest.mark.parametrize(
        "period",
        [
            {"start": "soon"},
            {"end": "2026-02-30"},
            {"start": "2026-03-02T08:00:00Z", "end": "2026-03-02T07:00:00Z"},
            {"end": "2026-02-28T08:00:00Z"},
        ],
    )
    def test_location_period_that_cannot_be_used_loses_that_location_alone(self, period):
        charted = encounter(
            location=[{"location": ref("Location/a"), "period": period}, {"location": ref("Location/b")}]
        )
        found = read(charted)
        assert [span.place for span in found.stay.places] == ["Location/b"]
        (issue,) = found.issues
        assert (issue.kind, issue.used, issue.patient) == (IssueKind.BAD_TIME, True, "Patient/p")

    @pytest.mark.parametrize("end", ["2026-02-30", "tomorrow", "2026-03-01T05:59:59Z", "2026-02-28"])
    def test_end_that_cannot_be_used_leaves_the_stay_open(self, end):
        # Closing needs positive evidence (design 2.6)
        found = read(encounter(status="finished", period={"start": "2026-03-01T06:00:00Z", "end": end}))
        assert found.stay.end is None
        (issue,) = found.issues
        assert (issue.kind, issue.used) == (IssueKind.BAD_TIME, True)

    def test_end_on_the_day_of_the_start_is_in_order(self):
        found = read(encounter(period={"start": "2026-03-01T06:00:00Z", "end": "2026-03-01"}))
        assert (found.issues, found.stay.end) == ((), at("2026-03-01T22:59:59Z"))

    @pytest.mark.parametrize(
        ("period", "kind"),
        [
            (None, IssueKind.NO_TIME),
            ({"end": "2026-03-12"}, IssueKind.NO_TIME),
            ({"start": "soon"}, IssueKind.BAD_TIME),
        ],
    )
    def test_stay_without_a_usable_start_is_an_issue(self, period, kind):
        assert read(encounter(period=period)).kind is kind

    @pytest.mark.parametrize("status", ["planned", "cancelled"])
    def test_stay_that_has_not_begun_needs_no_start(self, status):
        assert read(encounter(status=status, period=None)) == Ignored("not-begun")

    @pytest.mark.parametrize("subject", [None, {}, ref("Group/g")])
    def test_stay_of_no_patient_is_an_issue(self, subject):
        assert read(encounter(subject=subject)).kind is IssueKind.NO_PATIENT

    def test_entered_in_error_is_a_stay_of_that_status_whatever_else_it_lacks(self):
        found = read(encounter(status="entered-in-error", period=None, meta=stored("2026-03-04T00:00:00Z")))
        assert (found.stay.status, found.stay.known, found.patient) == (
            "entered-in-error",
            at("2026-03-04T00:00:00Z"),
            "Patient/p",
        )
        assert read(encounter(status="entered-in-error", subject=None)) == Ignored("entered-in-error")

    @pytest.mark.parametrize(
        ("disposition", "end", "died"),
        [
            (code("exp", "http://terminology.hl7.org/CodeSystem/discharge-disposition"), "2026-03-12T10:00:00Z", True),
            (
                code("home", "http://terminology.hl7.org/CodeSystem/discharge-disposition"),
                "2026-03-12T10:00:00Z",
                False,
            ),
            ({"text": "expired"}, "2026-03-12T10:00:00Z", False),
            (None, "2026-03-12T10:00:00Z", False),
            (code("exp", "http://terminology.hl7.org/CodeSystem/discharge-disposition"), None, False),
        ],
    )
    def test_stay_that_ended_in_death(self, disposition, end, died):
        period = {"start": "2026-03-01T06:00:00Z"} | ({"end": end} if end else {})
        found = read(encounter(status="finished", period=period, hospitalization={"dischargeDisposition": disposition}))
        assert found.died == (exactly(at("2026-03-12T10:00:00Z")) if died else None)


def stay(name, top=None, *, status="in-progress", known=0, end=None):
    return Stay(id=name, top=top or name, status=status, encounter_class="IMP", start=0, end=end, known=known)


class TestStays:
    def test_top_is_the_outermost(self):
        nested = (stay("a"), stay("b", "a"), stay("c", "b"), stay("d", "c"), stay("alone"), stay("x", "not-read"))
        assert [one.top for one in with_tops(nested)] == ["a", "a", "a", "a", "alone", "not-read"]

    def test_circle_of_parts_ends(self):
        assert {one.id for one in with_tops((stay("a", "b"), stay("b", "a"), stay("c", "c")))} == {"a", "b", "c"}

    def test_latest_known_version_counts(self):
        first, second = stay("a", known=10), stay("a", status="finished", known=20, end=15)
        for versions in ([first, second], [second, first]):
            assert latest_known(versions, 5) == ()
            assert latest_known(versions, 19) == (first,)
            assert latest_known(versions, 20) == (second,)

    def test_stay_entered_in_error_was_never_there(self):
        versions = [stay("a", known=10), stay("a", status="entered-in-error", known=20), stay("b", "a", known=10)]
        assert [one.id for one in stays_known(versions, 15)] == ["a", "b"]
        assert [one.id for one in stays_known(versions, 25)] == ["b"]


def places(*resources):
    records = {f"Location/{resource['id']}": location_of(record(resource)) for resource in resources}
    return places_of(records, instance().counting, {"Europe/Berlin": ZoneInfo("Europe/Berlin")}.get)


def zone(name):
    return [{"url": TIMEZONE, "valueCode": name}]


BED, ROOM = {"physicalType": code("bd", PHYSICAL)}, {"physicalType": code("ro", PHYSICAL)}


class TestPlaces:
    def test_ward_with_room_and_bed(self):
        found, issues = places(
            location("ward", name="Ward 7", extension=zone("Europe/Berlin")),
            location("room", type=None, partOf=ref("Location/ward"), **ROOM),
            location(
                "bed", type=None, partOf=ref("https://chart.hospital.example/fhir/Location/room/_history/2"), **BED
            ),
        )
        assert issues == ()
        for name in ("ward", "room", "bed"):
            place = found[f"Location/{name}"]
            assert (place.unit, place.unit_id, place.name) == ("Location/ward", "ward", "Ward 7")
            assert (place.place_class, place.zone) == (PlaceClass.INPATIENT, ZoneInfo("Europe/Berlin"))

    def test_nearest_class_and_zone_lead(self):
        er = [code("ER", ROLE)]
        found, _ = places(
            location("house", extension=zone("Europe/Berlin")),
            location("emergency", type=er, partOf=ref("Location/house"), extension=zone("Nowhere/Nothing")),
        )
        assert found["Location/house"].place_class is PlaceClass.INPATIENT
        assert found["Location/emergency"].place_class is not PlaceClass.INPATIENT
        assert found["Location/emergency"].zone == ZoneInfo("Europe/Berlin")
        assert found["Location/emergency"].unit == "Location/emergency"

    def test_unit_without_a_name_goes_by_its_id_and_without_a_zone_has_none(self):
        (place,) = places(location("ward"))[0].values()
        assert (place.name, place.zone) == ("ward", None)

    def test_bed_of_no_unit_is_its_own(self):
        (place,) = places(location("bed", **BED))[0].values()
        assert place.unit == "Location/bed"

    @pytest.mark.parametrize("kind", [None, [code("XX", ROLE)], [{"text": "ward"}], [{"coding": [{"code": "HU"}]}]])
    def test_location_that_nobody_classed_is_an_issue_and_no_place(self, kind):
        found, (issue,) = places(location("shed", type=kind))
        assert found == {}
        assert (issue.kind, issue.source, issue.used) == (IssueKind.UNKNOWN_CODE, "Location/shed", True)

    @pytest.mark.parametrize("above", [ref("Location/ward"), ref("Location/gone"), ref("#x"), {}])
    def test_part_of_itself_or_of_nothing_ends(self, above):
        assert list(places(location("ward", partOf=above))[0]) == ["Location/ward"]

    def test_very_deep_nesting_ends(self):
        chain = [location(f"l{n}", type=None, partOf=ref(f"Location/l{n + 1}")) for n in range(40)]
        found, issues = places(*chain, location("l40"))
        assert "Location/l39" in found
        assert issues[0].source == "Location/l0"


def test_moment_of_a_year_is_an_interval():
    assert isinstance(read(person(birthDate="1850"))[0].birth, Moment)
