"""Stories of moves, conversions, leave, discharge with a line, readmission, death and merged records, as data.

Each row is a moment one second before or after a boundary, with what the worklist says then, worked out by hand from the
semantics: design 2.3.9 (end of the watch, 4 h gap), 2.2.4 (known times), 2.3.11 (merges), 2.7.4 (leave), 2.7.5, 2.7.16;
hazards H26 (a conversion closes nothing) and H37. Everything is invented; times are in May 2031, UTC.
"""

from dataclasses import dataclass, field
from typing import Any

import pytest

from linedays.core.changes import Cancel, Complete, EndFlag, EndReason
from linedays.core.model import IssueKind
from linedays.core.moment import Instant
from linedays.run.derive import Derivation
from linedays.run.explain_line import explanation
from linedays.run.listing import listing
from linedays.run.writing import apply_plan
from support.made_up_patient import BASE
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import (
    IDENTITY,
    MADE_UP_WARD,
    PLACES,
    Resource,
    derived,
    device,
    instant,
    look,
    planned,
    procedure,
    wired,
)
from support.small_ward import load_bundle as load

CLASS = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
DISPOSITION = "http://terminology.hl7.org/CodeSystem/discharge-disposition"
LABEL = "https://linedays.example/fhir/device-label"
OTHER_WARD = MADE_UP_WARD | {"id": "second-ward", "name": "Second Made-up Ward"}
WARDS = [*PLACES, OTHER_WARD]


def time(text: str) -> str:
    """Return "14 09:40" or "14 09:40:01" as that time in May 2031."""
    day, clock = text.split()
    return f"2031-05-{day}T{clock if clock.count(':') == 2 else clock + ':00'}Z"


def moment(text: str) -> Instant:
    return instant(time(text))


def patient(name: str = "p", stored: str = "01 08:00", **other: Any) -> Resource:
    return {"resourceType": "Patient", "id": name, "meta": {"lastUpdated": time(stored)}, "birthDate": "1961-02-03"} | other


def stay(
    name: str,
    start: str,
    end: str | None = None,
    *,
    stored: str | None = None,
    status: str | None = None,
    kind: str = "IMP",
    top: str | None = None,
    ward: str = "made-up-ward",
    of: str = "p",
    **other: Any,
) -> Resource:
    """Return one version of an Encounter, stored when it began or ended unless said."""
    period = {"start": time(start)} | ({"end": time(end)} if end else {})
    made = {
        "resourceType": "Encounter",
        "id": name,
        "meta": {"lastUpdated": time(stored or end or start)},
        "status": status or ("finished" if end else "in-progress"),
        "class": {"system": CLASS, "code": kind},
        "subject": {"reference": f"Patient/{of}"},
        "period": period,
        "location": [{"location": {"reference": f"Location/{ward}"}, "period": period}],
    }
    return made | ({"partOf": {"reference": f"Encounter/{top}"}} if top else {}) | other


def line(kind: str = "picc", of: str = "p", name: str = "line", changed: str = "02 09:00", **other: Any) -> list[Resource]:
    """Return a line placed on the 2nd at 09:00 under a transparent dressing; `changed` is its last change."""
    made = [device(name, of, kind) | other, procedure("insertion", "02 09:00", of, name, dressing="transparent")]
    later = [procedure("dressing-change", changed, of, name, dressing="transparent")] if changed != "02 09:00" else []
    return [*made, *later]


def told(derivation: Derivation) -> dict[str, str]:
    """Return, by the Device of each line, where it is, and the state of its dressing change where something is asked."""
    found: dict[str, str] = {}
    for result in derivation.results:
        for state in result.states:
            for timeline, where in zip(state.site.timelines, state.line_whereabouts, strict=True):
                names = [name for name in (timeline.line.key, *timeline.line.aliases) if name.startswith("Device/")]
                items = {item.item: str(item.state) for item in state.items}
                asked = f": {items['dressing-change']}" if "dressing-change" in items else ""
                found["+".join(sorted(name[7:] for name in names))] = f"{where}{asked}"
    return found


@dataclass(frozen=True, kw_only=True)
class Story:
    """Everything charted, every version of it, and what each line is said to be at moments known by themselves."""

    name: str
    charted: list[Resource]
    rows: tuple[tuple[str, str], ...]


# Discharged on the 10th at 10:00: 10:00 + 4 h = 14:00. Transparent, put on 2 May 09:00: due 9 May 09:00 (7 d; CDC-2011
# rec. 7), so changed on the 9th at 08:00 it is due on the 16th at 08:00.
ADMITTED = stay("e1", "01 08:00")
DISCHARGED = [ADMITTED, stay("e1", "01 08:00", "10 10:00")]
BACK = stay("e2", "14 08:00")
DEAD = patient(stored="10 05:00", deceasedBoolean=True)
NIGHT = patient(stored="10 05:00", deceasedDateTime=time("10 04:30"))
KEPT = line(changed="09 08:00")
CVC = line("nontunnelled-cvc", changed="09 08:00")
STORIES = (
    Story(
        name="leave of absence pauses, and ends with the leave (2.7.4)",
        charted=[
            patient(),
            *line(),
            ADMITTED,
            stay("e1", "01 08:00", status="onleave", stored="10 10:00"),
            stay("e1", "01 08:00", stored="10 18:00"),
        ],
        rows=(
            ("10 09:59:59", "in place: overdue"),
            ("10 10:00:00", "in place: paused"),
            ("10 17:59:59", "in place: paused"),
            ("10 18:00:00", "in place: overdue"),
        ),
    ),
    Story(
        name="discharge with a line that may go home: away (2.3.9)",
        charted=[patient(), *KEPT, *DISCHARGED],
        rows=(
            ("10 09:59:59", "in place: not due"),
            ("10 10:00:00", "in place: not due"),
            ("10 13:59:00", "in place: not due"),  # ended 3 h 59 min ago
            ("10 13:59:59", "in place: not due"),
            ("10 14:00:00", "in place, away"),
            ("10 14:00:01", "in place, away"),
        ),
    ),
    Story(
        name="discharge with a line that may not go home: removal not charted (2.3.9)",
        charted=[patient(), *CVC, *DISCHARGED],
        rows=(("10 13:59:59", "in place: not due"), ("10 14:00:00", "removal not charted")),
    ),
    Story(
        name="a line taken out before discharge is out",
        charted=[patient(), *CVC, *DISCHARGED, procedure("removal", "10 09:00", "p", "line")],
        rows=(("10 08:59:59", "in place: not due"), ("10 09:00:00", "ended"), ("10 14:00:00", "ended")),
    ),
    Story(
        name="readmission: present on arrival, dressing unknown unless charted since (2.3.9)",
        charted=[patient(), *KEPT, *DISCHARGED, BACK, procedure("dressing-change", "14 09:00", "p", "line", dressing="transparent")],
        rows=(
            ("14 07:59:59", "in place, away"),
            ("14 08:00:00", "in place: unknown"),
            ("14 08:59:59", "in place: unknown"),
            ("14 09:00:00", "in place: not due"),
        ),
    ),
    Story(
        name="readmission within 4 h: one watch, and the dressing is still known",
        charted=[patient(), *KEPT, *DISCHARGED, stay("e2", "10 13:59:59")],
        rows=(("10 13:59:59", "in place: not due"), ("10 14:00:01", "in place: not due")),
    ),
    Story(
        name="readmission after 4 h to the second: a watch of its own",
        charted=[patient(), *KEPT, *DISCHARGED, stay("e2", "10 14:00:00")],
        rows=(("10 13:59:59", "in place: not due"), ("10 14:00:00", "in place: unknown")),
    ),
    Story(
        name="readmission: a line that may not go home counts from its first use since",
        charted=[patient(), *CVC, *DISCHARGED, BACK, procedure("line-access", "14 09:00", "p", "line")],
        rows=(("14 08:59:59", "removal not charted"), ("14 09:00:00", "in place: unknown")),
    ),
    Story(
        name="death without a time is known from when it was stored, and closes at once",
        charted=[patient(), DEAD, *KEPT, ADMITTED],
        rows=(("10 04:59:59", "in place: not due"), ("10 05:00:00", "ended")),
    ),
    Story(
        name="death with a time is not known before it was stored",
        charted=[patient(), NIGHT, *KEPT, ADMITTED],
        rows=(("10 04:30:01", "in place: not due"), ("10 04:59:59", "in place: not due"), ("10 05:00:00", "ended")),
    ),
    Story(
        name="death by the disposition of the stay closes without the 4 h",
        charted=[
            patient(),
            *KEPT,
            ADMITTED,
            stay(
                "e1",
                "01 08:00",
                "10 04:30",
                stored="10 05:00",
                hospitalization={"dischargeDisposition": {"coding": [{"system": DISPOSITION, "code": "exp"}]}},
            ),
        ],
        rows=(("10 04:59:59", "in place: not due"), ("10 05:00:00", "ended")),
    ),
    Story(
        name="death taken back by a later version was never so",
        charted=[patient(), DEAD, patient(stored="10 07:00", deceasedBoolean=False), *KEPT, ADMITTED],
        rows=(("10 06:59:59", "ended"), ("10 07:00:00", "in place: not due")),
    ),
    Story(
        name="death taken back by leaving the element out",
        charted=[patient(), NIGHT, patient(stored="10 07:00"), *KEPT, ADMITTED],
        rows=(("10 05:00:00", "ended"), ("10 06:59:59", "ended"), ("10 07:00:00", "in place: not due")),
    ),
)


@pytest.mark.parametrize(
    ("story", "at", "expected"),
    [pytest.param(story, at, said, id=f"{story.name} · {at}") for story in STORIES for at, said in story.rows],
)
@pytest.mark.parametrize("order", [1, -1], ids=["in order", "in reverse"])
def test_what_is_said_of_the_line(story: Story, at: str, expected: str, order: int) -> None:
    assert told(derived([*WARDS, *story.charted][::order], moment(at))) == {"line": expected}


@pytest.mark.parametrize(("at", "expected"), [("10 04:29:59", "in place: not due"), ("10 04:30:00", "ended")])
def test_death_with_a_time_counts_from_then_once_it_is_known(at: str, expected: str) -> None:
    known_by = moment("10 05:00:00")
    assert told(derived([*WARDS, patient(), NIGHT, *KEPT, ADMITTED], moment(at), known_by)) == {"line": expected}


# --- conversions: 0 closed (H26) ------------------------------------------------------------------------------------

LOOSE = [*line(changed="05 09:00"), look("loose", "05 10:00", "p", "line")]


@dataclass(frozen=True, kw_only=True)
class Conversion:
    """One stay that goes over into another: what the chart holds at first, and what is stored before each sweep."""

    name: str
    first: list[Resource]
    steps: tuple[tuple[str, list[Resource]], ...]
    units: tuple[str, ...] = field(default=())


EMERGENCY = {"kind": "EMER", "status": "in-progress"}
CONVERSIONS = (
    Conversion(
        name="emergency department to inpatient, a second Encounter that overlaps",
        first=[stay("ed", "05 08:00", kind="EMER")],
        steps=(
            ("05 13:00:01", [stay("in", "05 13:00")]),
            ("05 13:59:59", []),
            ("05 14:00:01", [stay("ed", "05 08:00", "05 14:00", kind="EMER")]),
            ("05 17:59:59", []),
            ("05 18:00:01", []),
        ),
    ),
    Conversion(
        name="emergency department to inpatient, a second Encounter one second before 4 h are over",
        first=[stay("ed", "05 08:00", kind="EMER")],
        steps=(
            ("05 14:00:01", [stay("ed", "05 08:00", "05 14:00", kind="EMER")]),
            ("05 17:59:58", []),
            ("05 17:59:59", [stay("in", "05 17:59:59")]),
            ("05 18:00:00", []),
            ("05 18:00:01", []),
        ),
    ),
    Conversion(
        name="observation to inpatient by the class of one Encounter",
        first=[stay("one", "05 08:00", kind="OBSENC")],
        steps=(("05 13:59:59", []), ("05 14:00:01", [stay("one", "05 08:00", kind="IMP")]), ("05 18:00:01", [])),
    ),
    Conversion(
        name="inpatient to rehabilitation, parts of one Encounter, more than 4 h apart",
        first=[stay("top", "01 08:00"), stay("acute", "01 08:00", top="top")],
        steps=(
            ("05 14:00:01", [stay("acute", "01 08:00", "05 14:00", top="top")]),
            ("05 17:59:59", []),
            ("05 18:00:01", []),
            ("05 20:00:01", [stay("rehab", "05 20:00", top="top", kind="NONAC")]),
        ),
    ),
    Conversion(
        name="transfer between units of two houses, parts of one Encounter",
        first=[stay("top", "01 08:00"), stay("here", "01 08:00", top="top")],
        steps=(
            ("05 13:59:59", []),
            (
                "05 14:00:01",
                [
                    stay("here", "01 08:00", "05 14:00", top="top"),
                    stay("there", "05 14:00", top="top", ward="second-ward"),
                    stay("top", "01 08:00", ward="second-ward", location=[]),
                ],
            ),
            ("05 18:00:01", []),
        ),
        units=("Location/made-up-ward", "Location/second-ward", "Location/second-ward"),
    ),
)


def sweep(server: MemoryFhirServer, at: str, stored: list[Resource]) -> tuple[Derivation, list[Any]]:
    """Store what was charted meanwhile, sweep, and return what was derived with the changes that end something."""
    assert server.server_time is not None
    server.tick(moment(at) - server.server_time)
    if stored:
        load(server, stored)
    plan = planned(server, moment(at))
    apply_plan(plan, server, IDENTITY)
    return plan.derivation, [each.change for each in plan.writes if isinstance(each.change, Cancel | Complete | EndFlag)]


def opened(first: list[Resource]) -> MemoryFhirServer:
    """Return a server with a loose dressing on the 5th at 12:00, whose Task and Flag were written."""
    server = MemoryFhirServer(now=moment("05 11:00"))
    load(server, [*WARDS, patient(), *LOOSE, *first])
    derivation, closed = sweep(server, "05 12:00", [])
    assert (told(derivation), closed) == ({"line": "in place: compromised"}, [])
    assert {kind for kind, _ in server.writes} >= {"Task", "Flag"}
    return server


@pytest.mark.parametrize("story", CONVERSIONS, ids=[story.name for story in CONVERSIONS])
def test_conversion_closes_nothing(story: Conversion) -> None:
    server = opened(story.first)
    units = []
    for at, stored in story.steps:
        derivation, closed = sweep(server, at, stored)
        assert (told(derivation), closed) == ({"line": "in place: compromised"}, []), at
        units += [state.unit for result in derivation.results for state in result.states]
    if story.units:
        assert tuple(units) == story.units


def test_stay_that_is_over_closes_after_four_hours_and_not_before() -> None:
    server = opened([stay("in", "01 08:00")])
    over = [stay("in", "01 08:00", "05 14:00")]
    for at, stored in (("05 14:00:01", over), ("05 17:59:00", []), ("05 17:59:59", [])):
        assert sweep(server, at, stored)[1] == []
    derivation, closed = sweep(server, "05 18:00:01", [])
    assert told(derivation) == {"line": "in place, away"}
    assert [(type(change), change.reason) for change in closed] == [
        (Cancel, EndReason.STAY_OVER), (EndFlag, EndReason.STAY_OVER),
    ]  # fmt: skip


def test_death_closes_at_once_and_one_taken_back_is_asked_about_again() -> None:
    server = opened([stay("in", "01 08:00")])
    assert sweep(server, "05 13:59:59", [])[1] == []
    derivation, closed = sweep(server, "05 14:00:01", [patient(deceasedBoolean=True)])
    assert (told(derivation), len(closed)) == ({"line": "ended"}, 2)
    before = len(server.writes)
    derivation, closed = sweep(server, "05 15:00:01", [patient(deceasedBoolean=False)])
    assert (told(derivation), closed) == ({"line": "in place: compromised"}, [])
    assert sorted(kind for kind, _ in server.writes[before:]) == ["Flag", "Patient", "Task"]


# --- merged records -------------------------------------------------------------------------------------------------

MERGED_AT = "10 09:00"


def linked(kind: str, other: str, name: str, stored: str = MERGED_AT, **said: Any) -> Resource:
    return patient(name, stored, link=[{"type": kind, "other": {"reference": f"Patient/{other}"}}], **said)


def allergy(name: str, of: str, word: str, recorded: str = "02 08:00") -> Resource:
    return {
        "resourceType": "AllergyIntolerance",
        "id": name,
        "code": {"coding": [{"system": BASE + "allergen", "code": word}]},
        "patient": {"reference": f"Patient/{of}"},
        "recordedDate": time(recorded),
    }


def label(value: str) -> Resource:
    return {"identifier": [{"system": LABEL, "value": value}]}


TWO_RECORDS = [
    *WARDS,
    patient("old"),
    patient("new"),
    stay("e-old", "01 08:00", of="old"),
    stay("e-new", "01 08:00", of="new"),
    *line("picc", "old", "first", changed="09 08:00"),
    *line("midline", "new", "second", changed="09 08:00"),
]
MERGES = {
    "said by the one that is replaced": [linked("replaced-by", "new", "old")],
    "said by the one that survives": [linked("replaces", "old", "new")],
    "said by both": [linked("replaced-by", "new", "old"), linked("replaces", "old", "new")],
}


def owners(derivation: Derivation) -> dict[str, str]:
    """Return the patient of every line by its key."""
    return {
        timeline.line.key: timeline.line.patient
        for result in derivation.results
        for site in result.chart.sites
        for timeline in site.timelines
    }


FIRST, SECOND = "Procedure/first-insertion-02-0900", "Procedure/second-insertion-02-0900"


@pytest.mark.parametrize("merge", MERGES.values(), ids=MERGES)
def test_lines_of_both_records_belong_to_the_surviving_one_from_the_merge_on(merge: list[Resource]) -> None:
    apart = derived([*TWO_RECORDS, *merge], moment("10 08:59:59"))
    assert owners(apart) == {FIRST: "Patient/old", SECOND: "Patient/new"}
    assert apart.merged == {}
    one = derived([*TWO_RECORDS, *merge], moment("10 09:00:00"))
    assert owners(one) == {FIRST: "Patient/new", SECOND: "Patient/new"}
    assert (one.merged, one.issues) == ({"Patient/old": "Patient/new"}, ())
    assert told(one) == told(apart) == {"first": "in place: not due", "second": "in place: not due"}
    (result,) = one.results
    assert result.chart.person.former_ids == ("Patient/old",)
    assert {stay.id for stay in result.chart.stays} == {"Encounter/e-old", "Encounter/e-new"}
    # What was read is what was read: used, ignored and issues add up (design 2.3.12).
    assert all(row.read == row.used + sum(n for _, n in row.ignored) + row.issues for row in one.tally)


def test_replay_of_a_day_before_the_merge_sees_two_patients() -> None:
    chart = [*TWO_RECORDS, linked("replaced-by", "new", "old")]
    assert set(owners(derived(chart, moment("09 12:00"), moment("11 12:00"))).values()) == {"Patient/new"}
    assert set(owners(derived(chart, moment("09 12:00"), moment("09 12:00"))).values()) == {"Patient/old", "Patient/new"}


@pytest.mark.parametrize(("at", "merged"), [("10 10:59:59", True), ("10 11:00:00", False)])
def test_merge_that_is_withdrawn_puts_everything_back(at: str, merged: bool) -> None:
    chart = [*TWO_RECORDS, linked("replaced-by", "new", "old"), patient("old", "10 11:00")]
    assert owners(derived(chart, moment(at)))[FIRST] == ("Patient/new" if merged else "Patient/old")


def test_same_line_in_both_records_is_one_line_under_its_first_key() -> None:
    # Design 2.3.1: two Devices with the same permanent identifier are one line; 2.3.2: the key never changes.
    chart = [
        *WARDS,
        patient("old"),
        patient("new"),
        *line("picc", "old", "first", changed="09 08:00", **label("L-1")),
        device("second", "new") | label("L-1") | {"meta": {"lastUpdated": time("03 09:00")}},
        procedure("dressing-change", "09 10:00", "new", "second", dressing="transparent"),
    ]
    assert owners(derived(chart, moment("10 08:59:59"))) == {FIRST: "Patient/old", "Device/second": "Patient/new"}
    one = derived([*chart, linked("replaced-by", "new", "old")], moment("10 09:00:00"))
    assert owners(one) == {FIRST: "Patient/new"}
    assert told(one) == {"first+second": "in place: not due"}
    (state,) = one.results[0].states
    (item,) = [item for item in state.items if item.item == "dressing-change"]
    assert item.anchor is not None
    # The later of the two changes, charted under the other record.
    assert item.anchor.at == moment("09 10:00")


def test_charting_under_the_old_record_after_the_merge_still_counts() -> None:
    late = procedure("dressing-change", "10 12:00", "old", "second", dressing="transparent")
    apart = derived([*TWO_RECORDS, late], moment("10 12:00:01"))
    assert [issue.kind for issue in apart.issues] == [IssueKind.SUBJECT_MISMATCH]
    one = derived([*TWO_RECORDS, linked("replaced-by", "new", "old"), late], moment("10 12:00:01"))
    assert one.issues == ()
    anchors = {
        item.site: item.anchor.at
        for result in one.results
        for state in result.states
        for item in state.items
        if item.anchor is not None
    }
    assert anchors == {FIRST: moment("09 08:00"), SECOND: moment("10 12:00")}


@pytest.mark.parametrize(
    ("links", "names"),
    [
        ([linked("replaced-by", "new", "old"), linked("replaced-by", "old", "new")], ("Patient/old", "Patient/new")),
        ([linked("replaced-by", "elsewhere", "old")], ("Patient/old", "Patient/elsewhere")),
    ],
    ids=["a circle", "a record that was not read"],
)
def test_link_that_cannot_be_followed_moves_nothing_and_is_named(links: list[Resource], names: tuple[str, str]) -> None:
    found = derived([*TWO_RECORDS, *links], moment("10 12:00"))
    assert owners(found) == {FIRST: "Patient/old", SECOND: "Patient/new"}
    (issue, *_) = [issue for issue in found.issues if issue.kind is IssueKind.NOT_MERGED]
    assert all(name in f"{issue.source} {issue.text}" for name in names)


ALLERGIC = [
    *TWO_RECORDS,
    allergy("a-old", "old", "chlorhexidine"),
    allergy("none-old", "old", "none-known"),
    allergy("a-new", "new", "latex", recorded="09 10:00"),
]


def allergies(derivation: Derivation) -> dict[str, list[str]]:
    """Return what the listing says of allergies, by line."""
    return {row["line"]: row["allergies"] for row in listing(derivation, wired().instance, wired().wording)["lines"]}


@pytest.mark.parametrize(
    ("at", "old", "new"),
    [
        (
            "09 09:59:59",
            ["chlorhexidine (AllergyIntolerance/a-old)", "none-known (AllergyIntolerance/none-old)"],
            ["nothing charted: ask"],
        ),
        (
            "10 08:59:59",
            ["chlorhexidine (AllergyIntolerance/a-old)", "none-known (AllergyIntolerance/none-old)"],
            ["latex (AllergyIntolerance/a-new)"],
        ),
        # From the merge on both lines are one patient's; "none known" of the other record says nothing any more (H37).
        (
            "10 09:00:00",
            ["chlorhexidine (AllergyIntolerance/a-old)", "latex (AllergyIntolerance/a-new)"],
            ["chlorhexidine (AllergyIntolerance/a-old)", "latex (AllergyIntolerance/a-new)"],
        ),
    ],
)
def test_allergies_are_shown_as_known_and_taken_afresh_on_a_merge(at: str, old: list[str], new: list[str]) -> None:
    found = derived([*ALLERGIC, linked("replaced-by", "new", "old")], moment(at))
    assert allergies(found) == {FIRST: old, SECOND: new}
    told_of = explanation(found, "Device/first", wired().instance, wired().wording)
    assert told_of["allergies"] == old


def test_allergy_that_nobody_understands_is_an_issue_and_an_allergy() -> None:
    found = derived([*TWO_RECORDS, allergy("odd", "new", "marmalade")], moment("10 12:00"))
    assert allergies(found)[SECOND] == ["other (AllergyIntolerance/odd)"]
    (issue,) = found.issues
    assert (issue.kind, issue.source, issue.used) == (IssueKind.UNKNOWN_CODE, "AllergyIntolerance/odd", True)
    row = next(row for row in found.tally if row.name == "AllergyIntolerance")
    assert (row.read, row.used, row.ignored, row.issues) == (1, 1, (), 0)


@pytest.mark.parametrize(("at", "used", "ignored"), [("02 07:59:59", 0, (("not-known-yet", 1),)), ("02 08:00:00", 1, ())])
def test_allergies_are_counted(at: str, used: int, ignored: tuple[tuple[str, int], ...]) -> None:
    found = derived([*TWO_RECORDS, allergy("a", "new", "latex")], moment(at))
    row = next(row for row in found.tally if row.name == "AllergyIntolerance")
    assert (row.read, row.used, row.ignored, row.issues) == (1, used, ignored, 0)
