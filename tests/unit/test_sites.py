"""Lines → dressing sites. Expected values by hand from design 2.1, 2.3.10.

Source: this project's own reading (one dressing, several devices); common practice, no source.
"""

from dataclasses import replace

import pytest

from support.builders import RULES, chart_of, device, exchanged, inserted, present, removed

INTRO, PA = "Procedure/introducer", "Procedure/pa"


def sites(*facts, rules=RULES):
    return [
        (site.key, [timeline.line.key for timeline in site.timelines]) for site in chart_of(*facts, rules=rules).sites
    ]


def introducer(**says):
    says = {"site": "neck", "side": "right"} | says
    return inserted("2026-03-02 08:00", kind="introducer", source=INTRO, **says)


def catheter(happened="2026-03-02 09:00", **says):
    says = {"site": "neck", "side": "right"} | says
    return inserted(happened, kind="pulmonary-artery", source=PA, **says)


def test_a_line_alone_is_a_site_of_its_own():
    assert sites(introducer()) == [(INTRO, [INTRO])]


def test_introducer_and_pulmonary_artery_catheter_at_one_site_and_side_lie_under_one_dressing():
    assert sites(catheter(), introducer()) == [(INTRO, [INTRO, PA])]


def test_the_key_of_a_site_is_that_of_the_line_known_first_and_sites_come_in_order_of_keys():
    late = introducer(known="2026-03-03 08:00")

    assert sites(late, catheter(), inserted("2026-03-02 08:00", source="Procedure/a")) == [
        ("Procedure/a", ["Procedure/a"]),
        (PA, [PA, INTRO]),
    ]


@pytest.mark.parametrize(
    "says",
    [
        pytest.param({"side": "left"}, id="other side"),
        pytest.param({"side": None}, id="side not charted: not known to be the same"),
        pytest.param({"site": "groin"}, id="other site"),
        pytest.param({"site": None}, id="site not charted"),
    ],
)
def test_the_two_kinds_elsewhere_have_a_dressing_each(says):
    assert sites(introducer(), catheter(**says)) == [(INTRO, [INTRO]), (PA, [PA])]


def test_two_lines_of_other_kinds_at_one_site_have_a_dressing_each():
    picc = inserted("2026-03-02 08:00", source="Procedure/picc", site="neck", side="right")
    second = replace_source(introducer(), "Procedure/introducer-2")

    assert sites(introducer(), picc, second) == [
        (INTRO, [INTRO]),
        ("Procedure/introducer-2", ["Procedure/introducer-2"]),
        ("Procedure/picc", ["Procedure/picc"]),
    ]


def replace_source(fact, source):
    return inserted(fact.happened, kind=fact.line_kind, source=source, site=fact.site, side=fact.side)


@pytest.mark.parametrize(
    ("begins", "together"),
    [
        pytest.param("2026-03-05 08:00:00", True, id="as the other ends"),
        pytest.param("2026-03-05 08:00:01", False, id="one second later"),
    ],
)
def test_the_two_kinds_share_a_dressing_only_if_both_are_there_at_one_time(begins, together):
    facts = (
        introducer(),
        removed("2026-03-05 08:00", part_of=INTRO),
        catheter(begins),
        removed("2026-03-09 08:00", part_of=PA),
    )

    assert sites(*facts) == ([(INTRO, [INTRO, PA])] if together else [(INTRO, [INTRO]), (PA, [PA])])


def test_a_line_that_ended_before_the_one_known_first_began_has_a_dressing_of_its_own():
    facts = (introducer(known="2026-03-01 08:00"), catheter("2026-02-02 08:00", known="2026-03-09 08:00"))

    assert len(sites(*facts, removed("2026-02-03 08:00", part_of=PA))) == 2
    assert len(sites(*facts, removed("2026-03-03 08:00", part_of=PA))) == 1


def test_which_kinds_share_is_a_setting_of_the_source_map():
    assert len(sites(introducer(), catheter(), rules=replace(RULES, shared_dressing=()))) == 2
    turned = replace(RULES, shared_dressing=(("pulmonary-artery", "introducer"),))
    assert sites(introducer(), catheter(), rules=turned) == [(INTRO, [INTRO, PA])]


def test_a_device_and_its_parent_lie_under_one_dressing():
    facts = (
        device("Device/a", "2026-03-02 08:00"),
        device("Device/b", "2026-03-02 09:00", kind="midline", part_of="Device/a"),
        device("Device/c", "2026-03-02 10:00", kind="midline", part_of="Device/b"),
        device("Device/d", "2026-03-02 11:00", part_of="Device/not-read"),
    )

    assert sites(*facts) == [("Device/a", ["Device/a", "Device/b", "Device/c"]), ("Device/d", ["Device/d"])]


def test_a_parent_is_found_by_its_alias():
    facts = (
        inserted("2026-03-02 08:00", source=INTRO, device="Device/a"),
        device("Device/b", "2026-03-02 09:00", part_of="Device/a"),
    )

    assert sites(*facts) == [(INTRO, [INTRO, "Device/b"])]


def test_a_line_that_names_one_and_is_named_by_another_brings_them_together():
    """The catheter shares the introducer's place and names Device/a: three lines under one dressing."""
    facts = (
        device("Device/a", "2026-03-01 08:00"),
        introducer(),
        device("Device/pa", "2026-03-02 08:30", kind="pulmonary-artery", part_of="Device/a"),
        catheter(device="Device/pa"),
    )

    assert sites(*facts) == [("Device/a", ["Device/a", INTRO, "Device/pa"])]


def test_both_lines_of_an_exchange_lie_under_one_dressing():
    facts = (
        inserted("2026-03-02 08:00", source=INTRO, device="Device/a"),
        *exchanged("2026-03-05 08:00", "Device/a", "Device/b"),
    )

    assert sites(*facts) == [(INTRO, [INTRO, "Procedure/exchange"])]


def test_removing_one_of_two_leaves_the_site_as_it_was():
    assert sites(introducer(), catheter(), removed("2026-03-05 08:00", part_of=PA)) == [(INTRO, [INTRO, PA])]


def test_intervals_share_a_dressing_as_insertions_do():
    facts = (
        present("2026-03-02 08:00", kind="introducer", source=INTRO, site="neck", side="right"),
        present("2026-03-02 08:00", kind="pulmonary-artery", source=PA, site="neck", side="right"),
    )

    assert sites(*facts) == [(INTRO, [INTRO, PA])]
