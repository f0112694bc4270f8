"""What was seen at a dressing or a site: what it means, what clears it, and what only stands beside.

Source: what makes a dressing compromised is CDC-2011 Catheter Site Dressing Regimens rec. 3 (IB) and INS-2024 Std 39; the
blood rules are INS-2024, SickKids and LHSC; what clears a finding is the project's own definition (design 2.3.7, 2.7.6,
2.7.8, 2.7.12), common practice without a published source. All times are UTC.
"""

import pytest

from linedays.core.model import FactKind
from linedays.core.policy import BloodRule
from linedays.core.states import Priority, State
from support.builders import at, changed, fact, retracted, seen
from support.policies import POLICY, codes, item_at, line, policy, shipped_policy, site_at, state_at, unit, value_of

CHANGED = changed("2024-03-04 14:30", value="transparent")
COMPROMISED = ["damp", "moisture-under", "loose", "soiled", "lifted", "bloody", "missing", "chg-pad-swollen"]
BOTH = ["drainage", "pus", "bleeding-active", "skin-damage", "exposed"]
CONCERN = [
    "redness",
    "swelling",
    "tenderness",
    "pain",
    "warmth",
    "crepitus",
    "induration",
    "cord",
    "streak",
    "infiltration",
    "displaced",
    "limb-swelling",
    "disconnected",
    "catheter-damaged",
]
# Stat: design 2.5 names five; common practice, no source.
STAT = {"disconnected", "catheter-damaged", "exposed", "pus", "bleeding-active"}


def looked(when, *findings, **says):
    return fact(FactKind.SITE_SEEN, when, findings=findings, **says)


def meaning(facts, moment, **says):
    """Return whether the dressing is compromised and whether a site concern stands."""
    site = site_at(facts, moment, **says)
    return site.items[0].state is State.COMPROMISED, site.concern is not None


@pytest.mark.parametrize("by", [POLICY, shipped_policy()], ids=["hand-made", "shipped"])
@pytest.mark.parametrize(
    ("finding", "compromised", "concern"),
    [
        *((finding, True, False) for finding in COMPROMISED),
        *((finding, True, True) for finding in BOTH),
        *((finding, False, True) for finding in CONCERN),
        *((finding, True, False) for finding in ("oozing", "old-blood")),  # the default blood rule: any
        *((finding, False, False) for finding in ("bruising", "intact", "none", "undated")),
        ("a word without a row", True, False),
    ],
)
def test_each_finding_has_one_meaning(finding, compromised, concern, by):
    # H14: a finding is never passed over; one without a row in the policy is looked at.
    site = site_at(line(CHANGED, looked("2024-03-06 08:00", finding)), "2024-03-06 08:00", by=by)

    assert (site.items[0].state is State.COMPROMISED, site.concern is not None) == (compromised, concern)
    if site.concern is not None:
        assert site.concern.priority is (Priority.STAT if finding in STAT else Priority.URGENT)
    if compromised:
        assert site.items[0].priority is (Priority.STAT if finding in STAT else Priority.ASAP)


@pytest.mark.parametrize(
    ("rule", "dressing", "compromised"),
    [
        (BloodRule.ANY, "transparent", True),
        (BloodRule.ANY, "chg-gel", True),
        # Where the blood is, the chart does not say: near the border cannot be ruled out.
        (BloodRule.NEAR_BORDER, "transparent", True),
        (BloodRule.NEAR_BORDER, "chg-gel", True),
        (BloodRule.OUTSIDE_PAD, "transparent", True),
        (BloodRule.OUTSIDE_PAD, "chg-gel", False),
        (BloodRule.OUTSIDE_PAD, "chg-disc", False),
        (BloodRule.OUTSIDE_PAD, "chg-transparent", False),
        (BloodRule.OUTSIDE_PAD, None, True),
    ],
)
@pytest.mark.parametrize("finding", ["oozing", "old-blood"])
def test_blood_by_the_rule_of_the_unit(finding, rule, dressing, compromised):
    facts = line(changed("2024-03-04 14:30", value=dressing), looked("2024-03-06 08:00", finding), dressing="chg-gel")

    assert meaning(facts, "2024-03-06 08:00", by=policy(units=(unit(blood_rule=rule),)))[0] is compromised


def test_blood_on_a_dressing_that_was_on_before_a_later_change_is_judged_by_that_dressing():
    facts = line(
        looked("2024-03-02 08:00", "oozing"), changed("2024-03-04 14:30", value="transparent"), dressing="chg-gel"
    )
    pad = policy(units=(unit(blood_rule=BloodRule.OUTSIDE_PAD),))

    assert not meaning(facts, "2024-03-03 08:00", by=pad)[0]


# --- What clears a finding ---------------------------------------------------------------------------------------------

CLEARING = [
    # (when loose was seen, when the change was charted for, does it stand)
    pytest.param("2024-03-06 08:00", "2024-03-06 08:01", False, id="a minute before the change"),
    pytest.param("2024-03-06 08:00:59", "2024-03-06 08:00:00", False, id="in the minute of the change (H27)"),
    pytest.param("2024-03-06 08:00:00", "2024-03-06 08:00:59", False, id="in the minute of the change, before it"),
    pytest.param("2024-03-06 08:01:00", "2024-03-06 08:00:59", True, id="in the next minute"),
    pytest.param("2024-03-06 20:00", "2024-03-06 08:00", True, id="after the change"),
    pytest.param("2024-03-06 08:00", "2024-03-06", True, id="change by day, finding of that day"),
    pytest.param("2024-03-06", "2024-03-06 08:00", True, id="finding by day, change of that day"),
    pytest.param("2024-03-06", "2024-03-06", True, id="both by one day"),
    pytest.param("2024-03-05 23:59:59", "2024-03-06", False, id="change by day, finding of the day before"),
    pytest.param("2024-03-07 00:00", "2024-03-06", True, id="change by day, finding of the day after"),
    pytest.param("2024-03-05", "2024-03-06 00:00", False, id="finding by day, change of the next day"),
    pytest.param("2024-03-05", "2024-03-06", False, id="by day, a day apart"),
]


@pytest.mark.parametrize(("found", "change", "stands"), CLEARING)
def test_a_change_clears_what_was_found_before_it(found, change, stands):
    facts = line(seen(found, "loose"), changed(change, value="transparent"))

    assert (state_at(facts, "2024-03-07 12:00") is State.COMPROMISED) is stands


@pytest.mark.parametrize(
    ("found", "change", "open_order"),
    [
        ("2024-03-06 08:00", "2024-03-06", True),
        ("2024-03-06", "2024-03-06 08:00", True),
        ("2024-03-06 20:00", "2024-03-06 08:00", False),
    ],
)
def test_where_the_order_is_open_the_state_says_so(found, change, open_order):
    item = item_at(line(seen(found, "loose"), changed(change, value="transparent")), "2024-03-07 12:00")

    assert ("order-unknown" in codes(item.beside)) is open_order


@pytest.mark.parametrize(
    "kind", [FactKind.DRESSING_CHANGED, FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED], ids=lambda kind: kind.value
)
def test_a_later_label_or_reported_date_clears_as_a_change_does(kind):
    facts = line(seen("2024-03-05 08:00", "loose"), fact(kind, "2024-03-06", known="2024-03-07 08:00", value="gauze"))

    assert state_at(facts, "2024-03-07 07:59:59") is State.COMPROMISED
    assert state_at(facts, "2024-03-07 08:00") is not State.COMPROMISED


@pytest.mark.parametrize(
    "later",
    [
        pytest.param(seen("2024-03-06 09:00"), id="seen intact"),
        pytest.param(fact(FactKind.DRESSING_REINFORCED, "2024-03-06 09:00"), id="reinforced"),
        pytest.param(
            fact(FactKind.PART_CHANGED, "2024-03-06 09:00", value="connector-change"), id="connector changed (H12)"
        ),
        pytest.param(fact(FactKind.NOT_DONE, "2024-03-06 09:00", value="refused"), id="not done"),
        pytest.param(looked("2024-03-06 09:00", "none"), id="site seen without a finding"),
    ],
)
def test_nothing_but_a_change_clears_a_finding(later):
    assert state_at(line(CHANGED, seen("2024-03-06 08:00", "loose"), later), "2024-03-06 12:00") is State.COMPROMISED


def test_since_seen_intact_says_so_and_is_routine():
    facts = line(CHANGED, seen("2024-03-06 08:00", "loose"), seen("2024-03-06 09:00"))

    item = item_at(facts, "2024-03-06 09:00")

    assert (item.reason.code, item.priority) == ("compromised-since-intact", Priority.ROUTINE)


@pytest.mark.parametrize(
    ("intact", "known"),
    [
        pytest.param("2024-03-06 07:00", None, id="seen intact before"),
        pytest.param("2024-03-06 08:00", None, id="seen intact in the same minute"),
        pytest.param("2025-03-06 09:00", "2024-03-06 07:00", id="charted for a later time than its entry (H10)"),
    ],
)
def test_intact_before_the_finding_makes_nothing_routine(intact, known):
    facts = line(CHANGED, seen("2024-03-06 08:00", "loose"), seen(intact, known=known, source="Observation/intact"))

    item = item_at(facts, "2024-03-06 09:00")

    assert (item.reason.code, item.priority) == ("compromised", Priority.ASAP)


def test_one_of_two_findings_after_intact_keeps_it_at_once():
    facts = line(CHANGED, seen("2024-03-06 08:00", "loose"), seen("2024-03-06 09:00"), seen("2024-03-06 10:00", "damp"))

    item = item_at(facts, "2024-03-06 10:00")

    assert (item.priority, value_of(item.reason, "findings"), value_of(item.reason, "at")) == (
        Priority.ASAP,
        "loose damp",
        at("2024-03-06 08:00"),
    )


def test_a_retracted_finding_was_never_there():
    loose = seen("2024-03-06 08:00", "loose", source="Observation/o", updated="2024-03-06 08:00")
    facts = (*line(CHANGED, loose), retracted("Observation/o", "2024-03-06 10:00"))

    assert state_at(facts, "2024-03-06 09:59:59") is State.COMPROMISED
    assert state_at(facts, "2024-03-06 10:00") is State.NOT_DUE
    # Asked again as known before the retraction: as it was.
    assert state_at(facts, "2024-03-06 12:00", known_by=at("2024-03-06 09:00")) is State.COMPROMISED


def test_a_finding_corrected_to_intact_was_never_there():
    loose = seen("2024-03-06 08:00", "loose", source="Observation/o", updated="2024-03-06 08:00")
    corrected = seen("2024-03-06 08:00", source="Observation/o", known="2024-03-06 10:00", updated="2024-03-06 10:00")

    item = item_at(line(CHANGED, loose, corrected), "2024-03-06 10:00")

    assert (item.state, item.findings, item.last_seen_intact) == (State.NOT_DUE, (), at("2024-03-06 08:00"))


def test_a_finding_charted_for_a_later_time_counts_from_its_entry():
    # Column charting: entered 19:40 for the column of 20:00.
    facts = line(CHANGED, seen("2024-03-06 20:00", "loose", known="2024-03-06 19:40"))

    assert state_at(facts, "2024-03-06 19:39:59") is State.NOT_DUE
    assert state_at(facts, "2024-03-06 19:40") is State.COMPROMISED


@pytest.mark.parametrize(
    ("found", "minutes"),
    [
        # Up to 60 min after a change: "if this was the state before, correct the time" (common practice, no source).
        ("2024-03-04 14:31", "1"),
        ("2024-03-04 15:30", "60"),
        ("2024-03-04 15:31", None),
    ],
)
def test_a_finding_soon_after_a_change_says_how_soon(found, minutes):
    item = item_at(line(CHANGED, seen(found, "loose")), "2024-03-04 16:00")

    assert dict(item.reason.values).get("minutes") == minutes


def test_how_soon_is_counted_from_the_nearest_change():
    facts = line(CHANGED, changed("2024-03-06 08:00", value="gauze"), seen("2024-03-06 08:20", "loose"))

    assert value_of(item_at(facts, "2024-03-06 09:00").reason, "minutes") == "20"


# --- Site concern ------------------------------------------------------------------------------------------------------------


def test_a_site_concern_stands_until_a_look_at_the_site_without_one():
    facts = line(
        CHANGED,
        looked("2024-03-06 08:00", "redness", "pain"),
        looked("2024-03-06 12:00", "swelling"),
        looked("2024-03-06 20:00", "none"),
    )

    found = [
        site_at(facts, moment).concern for moment in ("2024-03-06 08:00", "2024-03-06 19:59:59", "2024-03-06 20:00")
    ]

    assert [one and [each.finding for each in one.findings] for one in found] == [
        ["redness", "pain"],
        ["redness", "pain", "swelling"],
        None,
    ]
    assert (found[0].item, found[0].state, found[0].reason.code) == ("site-assessment", State.DUE, "site-concern")


@pytest.mark.parametrize(
    "later",
    [
        pytest.param(changed("2024-03-06 09:00", value="transparent"), id="dressing changed"),
        pytest.param(seen("2024-03-06 09:00"), id="dressing seen intact"),
        pytest.param(looked("2024-03-06 09:00", "none", "redness"), id="looked again, still red"),
        pytest.param(looked("2024-03-06 08:00", "none", source="Observation/other"), id="looked in the same minute"),
        pytest.param(looked("2024-03-06", "none", known="2024-03-06 09:00"), id="looked that day, time not charted"),
        pytest.param(
            looked("2025-03-06 09:00", "none", known="2024-03-06 07:00"),
            id="charted for a later time than its entry (H10)",
        ),
    ],
)
def test_nothing_else_ends_a_site_concern(later):
    assert site_at(line(CHANGED, looked("2024-03-06 08:00", "redness"), later), "2024-03-06 12:00").concern is not None


def test_a_change_clears_the_dressing_and_leaves_the_concern():
    facts = line(CHANGED, looked("2024-03-06 08:00", "drainage"), changed("2024-03-06 09:00", value="transparent"))

    assert meaning(facts, "2024-03-06 08:00") == (True, True)
    assert meaning(facts, "2024-03-06 09:00") == (False, True)


def test_a_bruise_is_a_row_and_nothing_else():
    bruised = (CHANGED, looked("2024-03-06 08:00", "bruising"))
    site = site_at(line(*bruised), "2024-03-06 08:00")

    assert (site.items[0].state, site.concern) == (State.NOT_DUE, None)
    assert codes(site.items[0].beside) == {"also-seen"}
    changed_later = site_at(line(*bruised, changed("2024-03-06 09:00", value="transparent")), "2024-03-06 10:00")
    assert changed_later.items[0].beside == ()


# --- Last seen intact ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "last"),
    [
        pytest.param((CHANGED,), "2024-03-04 14:30", id="a change counts as seen intact"),
        pytest.param((CHANGED, seen("2024-03-06 02:10")), "2024-03-06 02:10", id="seen later"),
        pytest.param((seen("2024-03-02 02:10"), CHANGED), "2024-03-04 14:30", id="changed later"),
        pytest.param((), "2024-03-01 10:00", id="an insertion puts a dressing on"),
    ],
)
def test_last_seen_intact(facts, last):
    # H35
    assert item_at(line(*facts), "2024-03-07 12:00").last_seen_intact == at(last)


def test_a_line_that_nobody_saw_has_no_such_time():
    assert item_at(line(placed=None), "2024-03-07 12:00").last_seen_intact is None


@pytest.mark.parametrize("kind", [FactKind.LABEL_DATE, FactKind.CHANGE_REPORTED])
def test_a_date_read_or_told_is_not_a_look_at_the_dressing(kind):
    # Design: "not due" must not be read as inspected (hazard H35); common practice, no source.
    told = fact(kind, "2024-03-06", known="2024-03-06 09:00", part_of="Procedure/ins", value="transparent")
    item = item_at(line(told, placed=None), "2024-03-07 12:00")
    assert (item.state, item.last_seen_intact) == (State.NOT_DUE, None)
