"""Procedures charted in the reference way give the facts of the table in design section 7, and nothing else does.

The rows are those of the table; hazards H12 (look-alikes) and H01 (wrong patient) are named where a row answers one.
"""

from dataclasses import replace

import pytest

from linedays.core.model import FactKind, IssueKind
from linedays.core.moment import exactly
from linedays.fhir.reading import Ignored, OnlyIfLine
from support.charted import OWN, SCT, about, at, code, procedure, read, reader, recorded, ref, stored

DONE = exactly(at("2026-03-08T10:00:00Z"))


def facts(resource, by=None):
    found = read(resource, by)
    if isinstance(found, OnlyIfLine):
        found = found.facts
    assert isinstance(found, tuple), found
    return found


def fact(resource, by=None):
    (one,) = facts(resource, by)
    return one


@pytest.mark.parametrize(
    ("word", "kind", "value"),
    [
        ("insertion", FactKind.INSERTED, None),
        ("removal", FactKind.REMOVED, None),
        ("dressing-change", FactKind.DRESSING_CHANGED, None),
        ("dressing-reinforced", FactKind.DRESSING_REINFORCED, None),
        ("repositioned", FactKind.REPOSITIONED, None),
        ("line-access", FactKind.USED, None),
        ("port-access", FactKind.PORT_ACCESSED, None),
        ("port-deaccess", FactKind.PORT_DEACCESSED, None),
        ("connector-change", FactKind.PART_CHANGED, "connector-change"),
        ("administration-set-change", FactKind.PART_CHANGED, "administration-set-change"),
        ("port-needle-change", FactKind.PART_CHANGED, "port-needle-change"),
        ("securement-change", FactKind.PART_CHANGED, "securement-change"),
        ("necessity-review", FactKind.PART_CHANGED, "necessity-review"),
        ("infusion-start", FactKind.INFUSION_STARTED, None),
    ],
)
def test_completed_procedure_is_its_fact(word, kind, value):
    charted = procedure(
        word,
        meta=stored("2026-03-08T10:20:00Z"),
        extension=recorded("2026-03-08T10:10:00Z"),
        encounter=ref("Encounter/e1"),
        bodySite=[{"text": "Right arm"}],
    )
    one = fact(charted)
    assert (one.kind, one.value) == (kind, value)
    assert (one.patient, one.source, one.device, one.encounter) == (
        "Patient/p",
        "Procedure/p1",
        "Device/d",
        "Encounter/e1",
    )
    assert (one.happened, one.until) == (DONE, None)
    assert (one.known, one.updated) == (at("2026-03-08T10:10:00Z"), at("2026-03-08T10:20:00Z"))
    assert (one.site, one.side) == ("right arm", None)


ALL_STATUSES = ["preparation", "in-progress", "not-done", "on-hold", "stopped", "completed", "unknown"]


@pytest.mark.parametrize("status", [status for status in ALL_STATUSES if status != "completed"])
@pytest.mark.parametrize("word", ["insertion", "removal", "dressing-reinforced", "line-access", "connector-change"])
def test_what_was_not_completed_states_nothing(word, status):
    assert read(procedure(word, status=status)) == Ignored("not-completed")


@pytest.mark.parametrize("status", [status for status in ALL_STATUSES if status not in ("completed", "not-done")])
def test_dressing_change_that_was_not_completed_clears_nothing(status):
    assert read(procedure(status=status)) == Ignored("not-completed")


@pytest.mark.parametrize("reason", ["off-unit", "refused", "unstable", "other"])
def test_dressing_change_not_done_keeps_its_reason(reason):
    one = fact(
        procedure(
            status="not-done", statusReason=code(reason, "not-done-reason"), usedCode=[code("gauze", "dressing-kind")]
        )
    )
    assert (one.kind, one.value, one.device) == (FactKind.NOT_DONE, reason, "Device/d")


@pytest.mark.parametrize("reason", [None, {"text": "refused"}, code("refused", "urn:x:other")])
def test_reason_that_is_not_mapped_is_none(reason):
    one = fact(procedure(status="not-done", statusReason=reason))
    assert (one.kind, one.value) == (FactKind.NOT_DONE, None)


@pytest.mark.parametrize("status", ["not-done", "on-hold"])
def test_pause_has_its_review_date_and_reason(status):
    period = {"start": "2026-03-08T10:00:00Z", "end": "2026-03-15"}
    reason = code("other", "not-done-reason")
    one = fact(
        procedure("upkeep-paused", status=status, performedDateTime=None, performedPeriod=period, statusReason=reason)
    )
    assert (one.kind, one.happened, one.value) == (FactKind.PAUSED, DONE, "other")
    # Berlin, UTC+1: the 15th ends at 22:59:59 UTC
    assert one.until.latest == at("2026-03-15T22:59:59Z")


@pytest.mark.parametrize("status", ["completed", "in-progress", "stopped", "unknown", "preparation"])
def test_pause_needs_not_done_or_on_hold(status):
    assert read(procedure("upkeep-paused", status=status)) == Ignored("not-completed")


def test_pause_without_review_date_pauses_nothing():
    found = read(procedure("upkeep-paused", status="on-hold"))
    assert found.kind is IssueKind.NO_TIME
    assert "review date" in found.text


@pytest.mark.parametrize("word", ["insertion", "dressing-change", "upkeep-paused", "line-access"])
def test_entered_in_error_is_taken_back(word):
    found = read(
        procedure(word, status="entered-in-error", meta=stored("2026-03-08T11:00:00Z", "2"), performedDateTime=None)
    )
    (one,) = found.retracted
    assert found.rule == "entered-in-error"
    assert (one.kind, one.source, one.patient) == (FactKind.RETRACTED, "Procedure/p1", "Patient/p")
    assert one.known == one.updated == at("2026-03-08T11:00:00Z")


def test_entered_in_error_without_a_time_of_storing_is_known_since_it_was_entered():
    (one,) = read(procedure(status="entered-in-error", extension=recorded("2026-03-08T10:10:00Z"))).retracted
    assert (one.known, one.updated) == (at("2026-03-08T10:10:00Z"), None)


@pytest.mark.parametrize("status", ["not-done", "stopped", "unknown"])
def test_later_version_that_is_not_completed_takes_back_the_removal(status):
    # H21: a removal that was corrected to "not done" must not leave the line out.
    found = read(procedure("removal", status=status, meta=stored("2026-03-08T11:00:00Z", "2")))
    assert found.rule == "not-completed"
    assert [one.kind for one in found.retracted] == [FactKind.RETRACTED]


@pytest.mark.parametrize(
    "kind",
    [
        "transparent",
        "gauze",
        "gauze-under-transparent",
        "gauze-supporting-needle",
        "chg-transparent",
        "chg-gel",
        "chg-disc",
        "silicone-border",
        "tissue-adhesive",
        "none",
        "other",
    ],
)
@pytest.mark.parametrize("word", ["dressing-change", "insertion", "port-access"])
def test_kind_of_the_new_dressing(word, kind):
    used = [{"text": "sterile gloves"}, code("x", "urn:x:stock"), code(kind, "dressing-kind")]
    assert fact(procedure(word, usedCode=used)).value == kind


@pytest.mark.parametrize("used", [None, [{"text": "gauze"}], [code("gauze", "urn:x:other")]])
def test_kind_in_words_or_of_another_system_is_not_charted(used):
    assert fact(procedure(usedCode=used)).value is None


@pytest.mark.parametrize("kind", ["continuous", "intermittent", "blood", "lipid", "parenteral-nutrition", "propofol"])
def test_kind_of_the_infusion(kind):
    one = fact(procedure("infusion-start", usedCode=[code(kind, "infusion-kind")]))
    assert (one.kind, one.value) == (FactKind.INFUSION_STARTED, kind)


def test_insertion_without_a_device_names_its_kind_of_line():
    # design 2.7.19
    one = fact(
        procedure("insertion", focalDevice=None, usedCode=[code("picc", "line-kind"), code("chg-gel", "dressing-kind")])
    )
    assert (one.kind, one.device, one.line_kind, one.value) == (FactKind.INSERTED, None, "picc", "chg-gel")


@pytest.mark.parametrize(
    ("named", "device", "part_of"),
    [
        ({"focalDevice": [about("Device/d")]}, "Device/d", None),
        ({"focalDevice": [about("Device/d", "manipulated")]}, "Device/d", None),
        ({"focalDevice": [about("https://chart.hospital.example/fhir/Device/d")]}, "Device/d", None),
        ({"focalDevice": [about("Device/d/_history/4")]}, "Device/d", None),
        ({"usedReference": [ref("Device/d")]}, "Device/d", None),
        ({"usedReference": [ref("Medication/m"), ref("Device/d")]}, "Device/d", None),
        ({"focalDevice": [about("#d")], "usedReference": [ref("Device/d")]}, "Device/d", None),
        ({"focalDevice": [about("Device/d")], "usedReference": [ref("Device/other")]}, "Device/d", None),
        ({"partOf": [ref("Procedure/in")]}, None, "Procedure/in"),
        ({"partOf": [ref("Observation/o"), ref("Procedure/in")]}, None, "Procedure/in"),
        ({"partOf": [ref("MedicationAdministration/o")]}, None, None),
        ({"focalDevice": [{"action": code("manipulated", "http://hl7.org/fhir/device-action")}]}, None, None),
        ({"focalDevice": [about("#contained")]}, None, None),
        ({}, None, None),
    ],
)
def test_line_is_named_by_device_or_by_what_it_is_part_of(named, device, part_of):
    one = fact(procedure(**({"focalDevice": None} | named)))
    assert (one.device, one.part_of) == (device, part_of)


def test_insertion_as_part_of_something_replaces_no_line():
    assert fact(procedure("insertion", partOf=[ref("Procedure/operation")])).part_of is None


def test_one_change_for_two_devices_is_a_fact_about_each():
    # design 2.3.10: one change clears all under one dressing; what was charted for a device is not lost
    named = [about("Device/sheath"), about("Device/pa"), about("Device/sheath")]
    found = facts(procedure(focalDevice=named, usedCode=[code("gauze", "dressing-kind")]))
    assert [(one.kind, one.device, one.value) for one in found] == [
        (FactKind.DRESSING_CHANGED, "Device/sheath", "gauze"),
        (FactKind.DRESSING_CHANGED, "Device/pa", "gauze"),
    ]


def test_removal_of_two_devices_ends_both():
    found = facts(
        procedure("removal", focalDevice=[about("Device/sheath", "explanted"), about("Device/pa", "explanted")])
    )
    assert [(one.kind, one.device) for one in found] == [
        (FactKind.REMOVED, "Device/sheath"),
        (FactKind.REMOVED, "Device/pa"),
    ]


def test_of_several_that_came_in_the_first_takes_the_insertion():
    found = facts(procedure("insertion", focalDevice=[about("Device/a", "implanted"), about("Device/b", "implanted")]))
    assert [(one.kind, one.device) for one in found] == [(FactKind.INSERTED, "Device/a")]


@pytest.mark.parametrize(
    ("named", "old", "new"),
    [
        ([about("Device/old", "explanted"), about("Device/new", "implanted")], "Device/old", "Device/new"),
        ([about("Device/new", "implanted"), about("Device/old", "explanted")], "Device/old", "Device/new"),
        ([about("Device/old"), about("Device/new", "implanted")], "Device/old", "Device/new"),
        ([about("Device/old", "manipulated")], "Device/old", None),
    ],
)
def test_guidewire_exchange_ends_one_line_and_begins_another_at_one_instant(named, old, new):
    gone, came = facts(
        procedure("guidewire-exchange", focalDevice=named, usedCode=[code("transparent", "dressing-kind")])
    )
    assert (gone.kind, gone.device, gone.happened) == (FactKind.EXCHANGED_OUT, old, DONE)
    assert (came.kind, came.device, came.part_of, came.happened) == (FactKind.INSERTED, new, old, DONE)
    assert came.value == "transparent"
    assert came.source == gone.source == "Procedure/p1"


def test_guidewire_exchange_that_names_only_the_new_device():
    gone, came = facts(procedure("guidewire-exchange", focalDevice=[about("Device/new", "implanted")]))
    assert (gone.device, came.device, came.part_of) == ("Device/new", "Device/new", None)


UNCODED = {"code": {"text": "seen to"}}


@pytest.mark.parametrize(
    ("named", "expected"),
    [
        ([about("Device/d", "implanted")], [(FactKind.INSERTED, "Device/d")]),
        ([about("Device/d", "explanted")], [(FactKind.REMOVED, "Device/d")]),
        (
            [about("Device/old", "explanted"), about("Device/new", "implanted")],
            [(FactKind.INSERTED, "Device/new"), (FactKind.REMOVED, "Device/old")],
        ),
        ([about("Device/sheath"), about("Device/pa", "implanted")], [(FactKind.INSERTED, "Device/pa")]),
        (
            [about("Device/a", "explanted"), about("Device/b", "explanted")],
            [(FactKind.REMOVED, "Device/a"), (FactKind.REMOVED, "Device/b")],
        ),
    ],
)
def test_action_alone_says_what_came_and_went_if_it_is_a_line(named, expected):
    found = read(procedure(**UNCODED, focalDevice=named))
    assert isinstance(found, OnlyIfLine)
    assert [(one.kind, one.device) for one in found.facts] == expected


def test_coded_insertion_that_took_another_line_out_is_both():
    named = [about("Device/old", "explanted"), about("Device/new", "implanted")]
    came, gone = facts(procedure("insertion", focalDevice=named, usedCode=[code("gauze", "dressing-kind")]))
    assert (came.kind, came.device, came.part_of, came.value) == (FactKind.INSERTED, "Device/new", None, "gauze")
    assert (gone.kind, gone.device, gone.value) == (FactKind.REMOVED, "Device/old", None)


def test_coded_removal_that_put_another_line_in_is_both():
    named = [about("Device/old"), about("Device/new", "implanted")]
    gone, came = facts(procedure("removal", focalDevice=named, partOf=[ref("Procedure/in")]))
    assert (gone.kind, gone.device) == (FactKind.REMOVED, "Device/old")
    assert (came.kind, came.device, came.part_of) == (FactKind.INSERTED, "Device/new", None)


def test_coded_removal_that_names_one_device_as_implanted_removes_that_one():
    one = fact(procedure("removal", focalDevice=[about("Device/d", "implanted")]))
    assert (one.kind, one.device) == (FactKind.REMOVED, "Device/d")


def test_coded_insertion_that_names_one_device_as_explanted_inserts_that_one():
    one = fact(procedure("insertion", focalDevice=[about("Device/d", "explanted")]))
    assert (one.kind, one.device) == (FactKind.INSERTED, "Device/d")


@pytest.mark.parametrize("status", ["not-done", "in-progress", "preparation"])
def test_action_of_what_was_not_completed_states_nothing(status):
    assert read(procedure(**UNCODED, status=status, focalDevice=[about("Device/d", "implanted")])) == Ignored(
        "not-completed"
    )


@pytest.mark.parametrize("named", [[about("Device/d")], [about("Device/d", "manipulated")], None])
def test_text_alone_is_never_a_fact(named):
    # H12
    assert read(procedure(code={"text": "CVC dressing change"}, focalDevice=named)) == Ignored("code-not-mapped")


GENERAL = code("18949003", SCT)


@pytest.mark.parametrize(
    "named",
    [{"focalDevice": [about("Device/d")]}, {"usedReference": [ref("Device/d")]}],
)
def test_general_change_of_dressing_counts_only_if_its_device_is_a_line(named):
    found = read(procedure(code=GENERAL, **({"focalDevice": None} | named)))
    assert isinstance(found, OnlyIfLine)
    assert [(one.kind, one.device) for one in found.facts] == [(FactKind.DRESSING_CHANGED, "Device/d")]


@pytest.mark.parametrize(
    "named",
    [
        {},
        {"partOf": [ref("Procedure/in")]},
        {"bodySite": [{"text": "left arm"}]},
        {"focalDevice": [about("#contained")], "bodySite": [{"text": "left arm"}]},
        {"focalDevice": [{"manipulated": {"display": "PICC"}}]},
        {"usedReference": [ref("Medication/m")]},
    ],
)
def test_general_change_of_dressing_without_a_device_is_a_look_alike(named):
    # H12: any wound has one
    assert read(procedure(code=GENERAL, **({"focalDevice": None} | named))) == Ignored("names-no-device")


def test_code_of_another_system_is_somebody_elses():
    assert read(procedure(code=code("dressing-change", "urn:x:other"))) == Ignored("code-not-mapped")
    assert read(procedure(code=code("80146002", SCT))) == Ignored("code-not-mapped")


def test_unknown_code_of_our_system_is_an_issue():
    found = read(procedure("dressing-glanced-at"))
    assert (found.kind, found.source, found.patient) == (IssueKind.UNKNOWN_CODE, "Procedure/p1", "Patient/p")
    assert "'dressing-glanced-at'" in found.text


def test_first_code_that_is_mapped_counts():
    both = {"coding": [*code("x", "urn:x:a")["coding"], *code("unheard-of")["coding"], *code("removal")["coding"]]}
    assert fact(procedure(code=both)).kind is FactKind.REMOVED


@pytest.mark.parametrize("subject", [{}, ref("#p"), ref("Group/b"), ref("Location/b"), {"display": "somebody"}])
def test_without_a_patient_it_is_an_issue(subject):
    # H01
    found = read(procedure(subject=subject))
    assert (found.kind, found.patient) == (IssueKind.NO_PATIENT, None)


@pytest.mark.parametrize(
    ("performed", "kind"),
    [
        ({"performedDateTime": None}, IssueKind.NO_TIME),
        ({"performedDateTime": None, "performedPeriod": {}}, IssueKind.NO_TIME),
        ({"performedDateTime": None, "performedPeriod": {"end": "2026-03-08T10:00:00Z"}}, IssueKind.NO_TIME),
        ({"performedDateTime": None, "performedString": "this morning"}, IssueKind.NO_TIME),
        ({"performedDateTime": "2026-03-08T10:00:00"}, IssueKind.BAD_TIME),
        ({"performedDateTime": "2026-02-30"}, IssueKind.BAD_TIME),
        ({"performedDateTime": "2026-03-08T24:00:00Z"}, IssueKind.BAD_TIME),
        ({"performedDateTime": "0206-03-08"}, IssueKind.BAD_TIME),
        ({"performedDateTime": ""}, IssueKind.NO_TIME),
        (
            {"performedDateTime": None, "performedPeriod": {"start": "2026-03-08T10:00:00Z", "end": "late"}},
            IssueKind.BAD_TIME,
        ),
        (
            {
                "performedDateTime": None,
                "performedPeriod": {"start": "2026-03-08T10:00:00Z", "end": "2026-03-08T09:59:00Z"},
            },
            IssueKind.BAD_TIME,
        ),
    ],
)
def test_time_that_is_missing_or_wrong_is_an_issue(performed, kind):
    found = read(procedure(**performed))
    assert (found.kind, found.source, found.patient) == (kind, "Procedure/p1", "Patient/p")


@pytest.mark.parametrize(
    ("text", "earliest", "latest"),
    [
        # Berlin is UTC+1 in March (until the 29th), UTC+2 from then to October
        ("2026-03-08", "2026-03-07T23:00:00Z", "2026-03-08T22:59:59Z"),
        ("2026-03", "2026-02-28T23:00:00Z", "2026-03-31T21:59:59Z"),
        ("2026-03-08T10:00:00+05:45", "2026-03-08T04:15:00Z", "2026-03-08T04:15:00Z"),
    ],
)
def test_time_keeps_its_precision(text, earliest, latest):
    happened = fact(procedure(performedDateTime=text)).happened
    assert (happened.earliest, happened.latest) == (at(earliest), at(latest))


def test_period_that_ends_within_its_first_day_is_in_order():
    period = {"start": "2026-03-08", "end": "2026-03-08T09:00:00Z"}
    one = fact(procedure(performedDateTime=None, performedPeriod=period))
    assert (one.happened.earliest, one.until) == (at("2026-03-07T23:00:00Z"), None)


@pytest.mark.parametrize("status", ["completed", "entered-in-error", "not-done"])
def test_our_own_output_is_never_input(status):
    assert read(procedure(status=status, identifier=[{"system": OWN, "value": "x"}])) == Ignored("own-output")


def test_foreign_identifier_is_no_reason_to_pass_it_over():
    assert fact(procedure(identifier=[{"system": "urn:x:rows", "value": OWN}])).kind is FactKind.DRESSING_CHANGED


class TestPresence:
    """A system that charts presence intervals: completed means that the interval is over (ICU data set, README, Shape)."""

    @pytest.fixture
    def by(self):
        shipped = reader().source_map
        entry = shipped.entries["Procedure"]["https://linedays.example/fhir/CodeSystem/charting", "insertion"]
        present = replace(entry, fact=FactKind.PRESENT, line_kind="picc", slot="picc")
        ignored = replace(entry, fact=None, ignored="not-a-vascular-line")
        return reader(
            entries={"Procedure": {("urn:x:i", "1"): present, ("urn:x:i", "2"): ignored}, "Observation": {}},
            systems=frozenset({"urn:x:i"}),
        )

    @pytest.mark.parametrize("status", ["completed", "in-progress", "on-hold", "stopped", "unknown"])
    def test_interval_is_a_line_in_place(self, by, status):
        period = {"start": "2026-03-08T10:00:00Z", "end": "2026-03-09T10:00:00Z"}
        charted = procedure(
            status=status, code=code("1", "urn:x:i"), performedDateTime=None, performedPeriod=period, focalDevice=None
        )
        one = fact(charted, by)
        assert (one.kind, one.line_kind, one.slot, one.device) == (FactKind.PRESENT, "picc", "picc", None)
        assert (one.happened, one.until) == (DONE, exactly(at("2026-03-09T10:00:00Z")))

    @pytest.mark.parametrize("status", ["preparation", "not-done"])
    def test_interval_that_never_was_is_none(self, by, status):
        assert read(procedure(status=status, code=code("1", "urn:x:i")), by) == Ignored("not-completed")

    def test_interval_still_open_has_no_end(self, by):
        one = fact(procedure(code=code("1", "urn:x:i"), focalDevice=[about("Device/a"), about("Device/b")]), by)
        assert (one.until, one.device) == (None, "Device/a")

    def test_code_listed_as_ignored_is_counted_by_its_rule(self, by):
        assert read(procedure(code=code("2", "urn:x:i"), subject={}), by) == Ignored("not-a-vascular-line")
