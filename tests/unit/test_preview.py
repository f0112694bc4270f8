"""The preview names exactly what would be written, and nothing of the run: the same a minute later, another when more is charted.

Source: design 2.6 ("the first writing sweep always stops at the preview"; "no written resource contains a time of run" in
what we own); how the preview is made is our own choice.
"""

import random
from dataclasses import replace
from typing import Any

import pytest

from linedays.core.changes import EndFlag
from linedays.run.plan import Planned
from linedays.run.preview import Preview, preview_from_text, preview_of
from linedays.run.writing import apply_plan
from support.small_ward import AT, IDENTITY, OVERDUE, PLACES, WARD, look, memory_server, planned, procedure


def preview(server: Any, at: int = AT) -> Preview:
    return preview_of(planned(server, at).writes, IDENTITY)


def swept_ward() -> Any:
    """Return the ward after its first sweep, with something charted since that completes, cancels and revises."""
    server = memory_server(WARD)
    apply_plan(planned(server), server, IDENTITY)
    charted = [
        procedure("dressing-change", "14 10:10", "over", "over-picc", dressing="transparent"),
        procedure("removal", "14 10:12", "loose", "loose-picc"),
        look("damp", "14 10:11", "red", "red-picc"),
    ]
    server.tick(1500)
    for each in charted:
        server.transact([{"resource": each, "request": {"method": "PUT", "url": f"{each['resourceType']}/{each['id']}"}}])
    return server


def test_unchanged_chart_gives_the_same_preview_a_minute_later() -> None:
    server = memory_server(WARD)
    first = preview(server)
    server.tick(60)
    assert preview(server, AT + 60) == first
    assert (first.creates, first.changes) == (8, 0)


def test_changes_to_what_exists_give_the_same_preview_a_minute_later() -> None:
    server = swept_ward()
    plan = planned(server, AT + 1800)
    kinds = {type(each.change).__name__ for each in plan.writes}
    assert {"Complete", "Cancel", "EndFlag", "Revise"} <= kinds
    first = preview_of(plan.writes, IDENTITY)
    assert preview(server, AT + 1860) == first
    assert first.changes >= 4


def test_flag_that_ends_without_a_charted_time_gives_the_same_preview_a_minute_later() -> None:
    def ended(at: int) -> tuple[Planned, ...]:
        server = swept_ward()
        found = [each for each in planned(server, at).writes if isinstance(each.change, EndFlag)]
        return tuple(
            replace(each, change=replace(each.change, ended=None), resource={**each.resource, "period": {"start": "2031-05-13", "end": str(at)}})
            for each in found
            if isinstance(each.change, EndFlag)
        )

    assert len(ended(AT + 1800)) == 2
    assert preview_of(ended(AT + 1800), IDENTITY) == preview_of(ended(AT + 1860), IDENTITY)


def test_order_of_what_was_read_and_of_the_writes_does_not_matter() -> None:
    writes = list(planned(memory_server(WARD)).writes)
    first = preview_of(writes, IDENTITY)
    for seed in range(5):
        random.Random(seed).shuffle(writes)
        assert preview_of(writes, IDENTITY) == first
    assert preview(memory_server(WARD[::-1])) == first


@pytest.mark.parametrize(
    "more",
    [
        look("damp", "14 09:50", "calm", "calm-picc"),
        look("soiled", "14 09:50", "over", "over-picc"),
        procedure("dressing-change", "14 09:45", "over", "over-picc", dressing="transparent"),
    ],
    ids=["one more", "another content", "one less"],
)
def test_one_more_charted_change_gives_another_preview(more: Any) -> None:
    assert preview(memory_server([*WARD, more])) != preview(memory_server(WARD))


def test_every_element_counts_but_the_times_of_writing() -> None:
    (task, *_) = [each for each in planned(memory_server([*PLACES, *OVERDUE])).writes if each.resource["resourceType"] == "Task"]
    first = preview_of([task], IDENTITY)
    for name in task.resource:
        if name == "resourceType":
            continue
        value = [{"use": "official", "system": IDENTITY.system, "value": "other"}] if name == "identifier" else {"other": "value"}
        other = preview_of([replace(task, resource={**task.resource, name: value})], IDENTITY)
        assert (other == first) is (name in ("authoredOn", "lastModified")), name


def test_another_version_on_the_server_gives_another_preview() -> None:
    (one, *_) = [each for each in planned(swept_ward(), AT + 1800).writes if each.resource.get("id")]
    moved = replace(one, resource={**one.resource, "meta": {**one.resource["meta"], "versionId": "99"}})
    assert preview_of([moved], IDENTITY) != preview_of([one], IDENTITY)


def test_what_is_not_sent_is_not_in_it() -> None:
    writes = planned(memory_server(WARD)).writes
    refused = [replace(each, problems=("made up",)) for each in writes]
    assert preview_of([*writes, *refused], IDENTITY) == preview_of(writes, IDENTITY)
    assert preview_of(refused, IDENTITY) == preview_of([], IDENTITY)


def test_printed_preview_is_read_back() -> None:
    first = preview(memory_server(WARD))
    assert preview_from_text(str(first)) == first
    assert len(first.digest) == 16


@pytest.mark.parametrize("text", ["", "8-0", "0123456789abcdef", "8-0-0123456789ABCDEF", "8-0-0123456789abcde", "8-0-0123456789abcdef ", "-8-0-0123456789abcdef"])
def test_other_texts_are_no_preview(text: str) -> None:
    assert preview_from_text(text) is None
