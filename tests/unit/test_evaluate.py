"""A chart → the states of all its sites: which lines are asked about, and what the site tells. Expected values by hand."""

from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from linedays.core.evaluate import evaluate_chart
from linedays.core.model import FactKind, Person, Whereabouts
from linedays.core.states import State
from support.builders import at, changed, chart_of, device, fact, inserted, removed, seen, stay, used, when
from support.policies import PLACES, POLICY, item_at, line, site_at, sites_at


def test_a_chart_without_a_line_has_no_states():
    assert evaluate_chart(chart_of(), POLICY, PLACES, at=at("2024-03-05"), zone=UTC) == ()


def test_two_lines_apart_are_two_sites_in_order_of_their_keys():
    facts = (
        inserted("2024-03-01 10:00", source="Procedure/b", kind="picc", site="arm"),
        inserted("2024-03-01 10:00", source="Procedure/a", kind="nontunnelled-cvc", site="neck"),
    )

    assert [site.site.key for site in sites_at(facts, "2024-03-02 10:00")] == ["Procedure/a", "Procedure/b"]


@pytest.mark.parametrize(
    ("facts", "moment", "expected"),
    [
        pytest.param((), "2024-03-02 10:00", Whereabouts.IN_PLACE, id="in place"),
        pytest.param((removed("2024-03-02 10:00"),), "2024-03-02 10:00", Whereabouts.ENDED, id="removed"),
        pytest.param(
            (removed("2024-03-02 10:00"), used("2024-03-02 11:00")),
            "2024-03-02 11:00",
            Whereabouts.USED_AFTER_REMOVAL,
            id="used after its removal",
        ),
        pytest.param(
            (fact(FactKind.LINE_NOT_PRESENT, "2024-03-02 10:00"),),
            "2024-03-02 10:00",
            Whereabouts.SAID_TO_BE_GONE,
            id="said to be gone",
        ),
    ],
)
def test_items_only_where_a_line_is_in_place_or_still_charted_about(facts, moment, expected):
    site = site_at(line(*facts), moment)

    assert site.whereabouts is expected
    assert bool(site.items) is (expected in (Whereabouts.IN_PLACE, Whereabouts.USED_AFTER_REMOVAL))


def test_the_line_that_is_in_place_leads_and_each_is_told():
    facts = (
        inserted("2024-03-01 10:00", kind="introducer", source="Procedure/i", site="neck", side="left"),
        inserted("2024-03-01 11:00", kind="pulmonary-artery", source="Procedure/p", site="neck", side="left"),
        removed("2024-03-02 10:00", part_of="Procedure/i"),
    )

    site = site_at(facts, "2024-03-02 12:00")

    assert site.whereabouts is Whereabouts.IN_PLACE
    assert site.line_whereabouts == (Whereabouts.ENDED, Whereabouts.IN_PLACE)


def test_death_ends_what_is_asked():
    site = site_at(line(), "2024-03-02 12:00", person=Person(id="P", died=when("2024-03-02 12:00")))

    assert (site.whereabouts, site.items, site.concern) == (Whereabouts.ENDED, (), None)


def test_a_concern_is_told_about_a_line_that_is_still_charted_about():
    facts = line(removed("2024-03-02 10:00"), fact(FactKind.SITE_SEEN, "2024-03-02 11:00", findings=("redness",)))

    assert site_at(facts, "2024-03-02 11:00").concern is not None


def test_one_line_back_from_home_and_one_placed_since_are_known_by_the_newer():
    # Under one dressing: the introducer from before the discharge does not make unknown what was put on since.
    stays = (stay("E1", "2024-03-01 08:00", "2024-03-06 12:00"), stay("E2", "2024-03-08 10:00"))
    first = device("Device/a", "2024-03-01 10:00", kind="picc")
    second = inserted(
        "2024-03-08 12:00",
        kind="picc",
        source="Procedure/b",
        device="Device/b",
        part_of="Device/a",
        value="transparent",
    )
    child = device("Device/b", "2024-03-08 12:00", kind="picc", part_of="Device/a")

    (site,) = sites_at((first, child, second), "2024-03-08 13:00", stays=stays)

    assert len(site.site.timelines) == 2
    assert [item.state for item in site.items] == [State.NOT_DUE]


def test_the_zone_is_that_of_the_place_else_the_one_given():
    berlin = ZoneInfo("Europe/Berlin")
    stays = (stay("E", "2024-03-01 08:00", None, ("heron-1", "2024-03-01 08:00", None)),)

    assert site_at(line(), "2024-03-02 10:00", zone=berlin, stays=stays).zone is berlin


def test_what_is_known_beforehand_is_the_next_change():
    # Asked about noon on 2 March with what was known on the 9th: seen at 13:00, changed at 14:00, out at 15:00.
    facts = (
        seen("2024-03-02 13:00", "loose"),
        changed("2024-03-02 14:00", value="transparent"),
        removed("2024-03-02 15:00"),
    )
    known_by = at("2024-03-09")

    asked = ["2024-03-02 12:00", "2024-03-02 13:00", "2024-03-02 14:00"]
    coming = [item_at(line(*facts), moment, known_by=known_by).next_change for moment in asked]

    assert coming == [at("2024-03-02 13:00"), at("2024-03-02 14:00"), at("2024-03-02 15:00")]
    assert site_at(line(*facts), "2024-03-02 15:00", known_by=known_by).whereabouts is Whereabouts.ENDED
