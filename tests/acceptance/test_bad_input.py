"""Bad input is listed with its resource and its reason, and changes nothing about anybody's line.

The corpus is tests/support/bad_input.py; what counts as bad is the semantics (design 2.2.3, 2.3.4, 2.3.11) and
reliability.md T13, H01, H02 and H10.
"""

import json
from collections.abc import Iterable
from pathlib import Path

import pytest

from linedays.core.model import Issue, IssueKind, PatientChart
from linedays.core.states import SiteState
from linedays.run.derive import Derivation
from support.bad_input import AT, CORPUS, GOOD, HARMLESS, MEGABYTE, UNKNOWN, Bad, change, look
from support.pipeline import derived
from support.values import replace

LONGEST_TEXT = 400


def derived_with(folder: Path, rows: Iterable[bytes]) -> Derivation:
    (folder / "Good.ndjson").write_bytes(b"".join(json.dumps(resource).encode() + b"\n" for resource in GOOD))
    (folder / "More.ndjson").write_bytes(b"".join(row + b"\n" for row in rows))
    return derived(folder, AT)


def states(derivation: Derivation, patient: str) -> tuple[SiteState, ...]:
    (result,) = (result for result in derivation.results if result.chart.person.id == f"Patient/{patient}")
    return result.states


def chart(derivation: Derivation, patient: str) -> PatientChart:
    (result,) = (result for result in derivation.results if result.chart.person.id == f"Patient/{patient}")
    return result.chart


def what_it_needs(states: tuple[SiteState, ...]) -> tuple[SiteState, ...]:
    """Return the states without the lists of what was not used, which do and must differ."""
    bare = []
    for state in states:
        site = replace(state.site, timelines=tuple(replace(timeline, unused=()) for timeline in state.site.timelines))
        items = tuple(replace(item, beside=()) for item in state.items)
        bare.append(replace(state, site=site, items=items, notes=()))
    return tuple(bare)


def issue_of(bad: Bad, issues: tuple[Issue, ...], where: str) -> Issue:
    source = bad.source or where
    found = [issue for issue in issues if issue.source == source or issue.source.endswith(f" in {source}")]
    assert len(found) == 1, (bad.name, found)
    return found[0]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Derivation:
    return derived_with(tmp_path_factory.mktemp("good"), ())


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> Derivation:
    return derived_with(tmp_path_factory.mktemp("spoilt"), [bad.row for bad in CORPUS])


def test_good_charting_alone_has_no_issue_and_a_dated_state(good: Derivation) -> None:
    assert good.issues == ()
    for patient in ("a", "b"):
        (state,) = states(good, patient)
        (item,) = (item for item in state.items if item.item == "dressing-change")
        assert item.anchor is not None
        assert item.anchor.source == f"Procedure/change-{patient}"
        assert item.findings == ()


@pytest.mark.parametrize(("number", "bad"), list(enumerate(CORPUS, 1)), ids=[bad.name for bad in CORPUS])
def test_each_is_listed_once_with_resource_and_reason(spoilt: Derivation, number: int, bad: Bad) -> None:
    issue = issue_of(bad, spoilt.issues, f"More.ndjson:{number}")
    assert issue.kind in bad.reasons
    assert not issue.used
    assert 10 < len(issue.text) < LONGEST_TEXT


@pytest.mark.parametrize("bad", CORPUS, ids=[bad.name for bad in CORPUS])
def test_each_alone_changes_nothing(good: Derivation, tmp_path: Path, bad: Bad) -> None:
    with_it = derived_with(tmp_path, [bad.row])
    assert states(with_it, "a") == states(good, "a")
    assert what_it_needs(states(with_it, "b")) == what_it_needs(states(good, "b"))
    assert len(with_it.issues) == 1


def test_all_together_change_nothing(good: Derivation, spoilt: Derivation) -> None:
    assert len(spoilt.issues) == len(CORPUS)
    assert states(spoilt, "a") == states(good, "a")
    assert what_it_needs(states(spoilt, "b")) == what_it_needs(states(good, "b"))
    assert chart(spoilt, "b").sites[0].key == chart(good, "b").sites[0].key


def test_every_resource_is_accounted_for(spoilt: Derivation) -> None:
    read = sum(row.read for row in spoilt.tally)
    assert read == len(GOOD) + len(CORPUS)
    assert sum(row.used + row.issues + sum(n for _, n in row.ignored) for row in spoilt.tally) == read
    assert sum(row.issues for row in spoilt.tally) == len(CORPUS)
    assert all(row.used >= 0 for row in spoilt.tally)


def test_issue_texts_quote_nothing_that_is_long_or_runs(spoilt: Derivation) -> None:
    texts = [issue.text + issue.source for issue in spoilt.issues]
    assert not [text for text in texts if "<script" in text or MEGABYTE[:100] in text or "\n" in text]


def test_elements_nobody_reads_may_hold_anything(tmp_path: Path) -> None:
    for resource in HARMLESS:
        folder = tmp_path / resource["id"]
        folder.mkdir()
        odd = derived_with(folder, [json.dumps(resource).encode()])
        assert odd.issues == ()
        (state,) = states(odd, "b")
        (item,) = (item for item in state.items if item.item == "dressing-change")
        assert item.anchor is not None
        assert item.anchor.source == f"Procedure/{resource['id']}"


@pytest.mark.parametrize("path", UNKNOWN)
def test_elements_nobody_knows_are_named_and_the_rest_counts(tmp_path: Path, path: str) -> None:
    resource = UNKNOWN[path]
    derivation = derived_with(tmp_path, [json.dumps(resource).encode()])
    (issue,) = derivation.issues
    assert (issue.kind, issue.source, issue.used) == (IssueKind.UNKNOWN_ELEMENT, f"Procedure/{resource['id']}", True)
    assert f"does not know it here: {path};" in issue.text
    (state,) = states(derivation, "b")
    (item,) = (item for item in state.items if item.item == "dressing-change")
    assert item.anchor is not None
    assert item.anchor.source == issue.source


def test_elements_nobody_knows_of_what_is_passed_over_are_not_named(tmp_path: Path) -> None:
    elsewhere = change("elsewhere", code={"coding": [{"system": "urn:x", "code": "x"}]}, vendorThing=1)
    derivation = derived_with(tmp_path, [json.dumps(elsewhere).encode()])
    assert derivation.issues == ()
    assert ("code-not-mapped", 1) in next(row.ignored for row in derivation.tally if row.name == "Procedure")


def test_what_is_just_right_still_counts_beside_it(tmp_path: Path) -> None:
    # Entered 10:10, 15 min are allowed: a change charted for 10:25 counts, and so does a finding after it.
    just = change("just", performedDateTime="2026-03-08T10:25:00Z")
    derivation = derived_with(tmp_path, [json.dumps(just).encode(), *(bad.row for bad in CORPUS), json.dumps(look("seen")).encode()])
    (state,) = states(derivation, "b")
    (item,) = (item for item in state.items if item.item == "dressing-change")
    assert item.anchor is not None
    assert item.anchor.source == "Procedure/just"
    assert [finding.finding for finding in item.findings] == ["loose"]


def test_no_file_and_an_empty_file_are_told_apart_from_no_lines(tmp_path: Path) -> None:
    derivation = derived_with(tmp_path, [b"", b"   ", b"\r"])
    assert derivation.issues == ()
    assert len(derivation.results) == 2
