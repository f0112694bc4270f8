"""The links between Patient records, as known by a moment → which record replaces which, and what was read joined so.

A merge moves everything of the record that was replaced to the one that survives; nothing of it is stored, so that a
link that goes puts everything back. What cannot be followed moves nothing and is named in an issue. No I/O.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from msgspec import Struct
from msgspec.structs import replace as with_fields

from linedays.core.model import Issue, IssueKind, Person
from linedays.core.moment import Instant
from linedays.fhir.collected import Collected
from linedays.fhir.people import PersonVersion, version_known

# Source: FHIR R4, the code system link-type (http://hl7.org/fhir/R4/codesystem-link-type.html).
REPLACED_BY, REPLACES = "replaced-by", "replaces"
_OF_NO_MERGE = frozenset({"refer", "seealso"})
T = TypeVar("T")


class Merges(Struct, frozen=True, gc=False, kw_only=True):
    """Which record was replaced by which that survives (`into`), chains followed, and the links that cannot be."""

    into: dict[str, str]
    issues: tuple[Issue, ...]


def merges_known(
    versions: Mapping[str, Sequence[PersonVersion]], persons: Mapping[str, Person], known_by: Instant
) -> Merges:
    """Return the merges that hold by a moment. Either of the two records may say so."""
    issues: list[Issue] = []
    replaced_by: defaultdict[str, set[str]] = defaultdict(set)
    for name, told in versions.items():
        version = version_known(told, known_by)
        for kind, other in version.links if version is not None else ():
            if kind in _OF_NO_MERGE:
                continue
            if kind not in (REPLACED_BY, REPLACES):
                text = "a link to another record of no type of FHIR R4: nothing was joined by it; correct it"
                issues.append(Issue(kind=IssueKind.UNKNOWN_VALUE, source=name, text=text, patient=name, used=True))
            elif other is None or other not in persons:
                what = "what names no patient" if other is None else f"{other}, which was not read"
                issues.append(_not_merged(name, f"a link ({kind}) to {what}: nothing was joined by it; look at both"))
            elif kind == REPLACED_BY:
                replaced_by[name].add(other)
            else:
                replaced_by[other].add(name)
    return _followed(replaced_by, issues)


def _followed(replaced_by: Mapping[str, set[str]], issues: list[Issue]) -> Merges:
    reached = {old: _reached(old, replaced_by) for old in replaced_by}
    circular = {old for old, found in reached.items() if old in found}
    into: dict[str, str] = {}
    for old, found in sorted(reached.items()):
        last = sorted(found - replaced_by.keys())
        if found & circular:
            named = ", ".join(sorted(found & circular))
            text = f"its links run in a circle by way of {named}: nothing was joined; correct them"
            issues.append(_not_merged(old, text))
        elif len(last) > 1:
            issues.append(_not_merged(old, f"replaced by more than one record ({', '.join(last)}): nothing was joined"))
        else:
            into[old] = last[0]
    return Merges(into=into, issues=tuple(issues))


def _reached(start: str, replaced_by: Mapping[str, set[str]]) -> set[str]:
    found: set[str] = set()
    ahead = [*replaced_by[start]]
    while ahead:
        one = ahead.pop()
        if one not in found:
            found.add(one)
            ahead.extend(replaced_by.get(one, ()))
    return found


def _not_merged(source: str, text: str) -> Issue:
    return Issue(kind=IssueKind.NOT_MERGED, source=source, text=text, patient=source, used=True)


def joined(collected: Collected, into: Mapping[str, str]) -> Collected:
    """Return what was read with everything of each replaced record at the surviving one; `collected` stays as it is."""
    if not into:
        return collected
    facts = defaultdict(list, collected.facts)
    for old, new in into.items():
        if old in facts:
            facts[new] = [*facts[new], *(with_fields(fact, patient=new) for fact in facts.pop(old))]
    return replace(
        collected,
        facts=facts,
        stays=_moved(collected.stays, into),
        device_owner={device: into.get(owner, owner) for device, owner in collected.device_owner.items()},
        encounter_owner={stay: into.get(owner, owner) for stay, owner in collected.encounter_owner.items()},
        issues=[_of_surviving(issue, into) for issue in collected.issues],
    )


def _of_surviving(issue: Issue, into: Mapping[str, str]) -> Issue:
    surviving = into.get(issue.patient) if issue.patient is not None else None
    return issue if surviving is None else replace(issue, patient=surviving)


def _moved(held: Mapping[str, list[T]], into: Mapping[str, str]) -> defaultdict[str, list[T]]:
    moved: defaultdict[str, list[T]] = defaultdict(list)
    for patient, told in held.items():
        moved[into.get(patient, patient)].extend(told)
    return moved
