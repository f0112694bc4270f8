"""AllergyIntolerance records → which groups of allergies stand, as known by a moment, or why an entry does not count.

To lose an allergy is the dangerous side: what is not said to be over, refuted or in error counts, and an entry that
nobody here understands is an allergy to something else, named in an issue. Texts never decide. No I/O.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from linedays.core.model import NONE_KNOWN, OTHER_ALLERGY, Allergy, Issue, IssueKind
from linedays.core.moment import Instant
from linedays.core.tally import DUPLICATE, NOT_KNOWN_YET, SUPERSEDED
from linedays.fhir.datatypes import Concept
from linedays.fhir.reading import ALWAYS, Ignored, Reader, ignored, issue, shown, source_of
from linedays.fhir.records import AllergyIntolerance

# Source: FHIR R4, the code systems allergyintolerance-clinical and allergyintolerance-verification and the value set
# allergy-intolerance-category (http://hl7.org/fhir/R4/allergyintolerance.html, "Terminology Bindings").
CLINICAL = "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical"
VERIFICATION = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
_CLINICAL_CODES = frozenset({"active", "inactive", "resolved"})
_VERIFICATION_CODES = frozenset({"unconfirmed", "confirmed", "refuted", "entered-in-error"})
_OVER = frozenset({"inactive", "resolved"})
_NEVER_SO = frozenset({"refuted", "entered-in-error"})
_CATEGORIES = ("food", "medication", "environment", "biologic")


class AllergyNote(Struct, frozen=True, gc=False, kw_only=True):
    """One version of an allergy entry: what it concerns, or by which rule it does not count (`ignored`)."""

    patient: str
    source: str
    groups: tuple[str, ...]
    known: Instant
    updated: Instant | None
    ignored: str | None = None
    issues: tuple[Issue, ...] = ()


class AllergiesKnown(Struct, frozen=True, gc=False, kw_only=True):
    """What stands by a moment, by patient; the issues of the versions that count; how many versions do not, and why."""

    of: dict[str, tuple[Allergy, ...]]
    issues: tuple[Issue, ...]
    ignored: Counter[tuple[str, str]]


def allergy_of(record: AllergyIntolerance, reader: Reader, *, doubted: bool = False) -> AllergyNote | Ignored | Issue:
    """Return what an AllergyIntolerance says. `doubted`: a modifier may reverse it, so that no "none" in it counts."""
    patient = reader.patient(record.patient)
    issues: list[Issue] = []
    why = None if doubted else _why_not(record, patient, issues)
    if patient is None:
        if why is not None:
            return ignored(why)
        return issue(record, IssueKind.NO_PATIENT, "no patient it could be about; fill in patient: an allergy")
    known, updated = reader.stamps(record, None)
    groups = () if why is not None else _groups(record, reader, patient, issues)
    if doubted:
        groups = tuple(dict.fromkeys(OTHER_ALLERGY if group == NONE_KNOWN else group for group in groups))
    return AllergyNote(
        patient=patient,
        source=reader.named(record),
        groups=groups,
        known=known,
        updated=updated,
        ignored=why,
        issues=tuple(issues),
    )


def _why_not(record: AllergyIntolerance, patient: str | None, issues: list[Issue]) -> str | None:
    """Return the rule by which an entry does not count: every status charted says so, and none says otherwise."""
    verification = _status(record, "verificationStatus", VERIFICATION, _VERIFICATION_CODES, patient, issues)
    if verification and verification <= _NEVER_SO:
        return "entered-in-error" if "entered-in-error" in verification else "allergy-refuted"
    clinical = _status(record, "clinicalStatus", CLINICAL, _CLINICAL_CODES, patient, issues)
    return f"allergy-{min(clinical)}" if clinical and clinical <= _OVER else None


def _status(
    record: AllergyIntolerance,
    element: str,
    system: str,
    allowed: frozenset[str],
    patient: str | None,
    issues: list[Issue],
) -> set[str]:
    concept = record.clinical_status if element == "clinicalStatus" else record.verification_status
    if concept is None:
        return set()
    codes = {coding.code for coding in concept.coding if coding.system == system}
    if not codes or not codes <= allowed:
        text = f"{element} is none of FHIR R4: the entry counts as an allergy that stands; correct it"
        issues.append(_used(record, IssueKind.UNKNOWN_VALUE, text, patient))
        return set()
    return {code for code in codes if code is not None}


def _groups(record: AllergyIntolerance, reader: Reader, patient: str, issues: list[Issue]) -> tuple[str, ...]:
    """Return the groups that the codes name. An entry that says "none" and yet names a substance is not "none"."""
    told = _mapped(record.code, reader)
    substances = [reaction.substance for reaction in record.reaction if reaction.substance is not None]
    named = [group for substance in substances for group in _mapped(substance, reader)]
    understood = told or (named if record.code is None else [])
    if NONE_KNOWN in understood and (substances or set(understood) != {NONE_KNOWN}):
        understood = []
    if understood:
        return tuple(dict.fromkeys([*told, *named]))
    issues.append(_used(record, IssueKind.UNKNOWN_CODE, _not_understood(record), patient))
    found = [*told, *named, OTHER_ALLERGY]
    return tuple(group for group in dict.fromkeys(found) if group != NONE_KNOWN)


def _mapped(concept: Concept | None, reader: Reader) -> list[str]:
    allergies = reader.source_map.allergies
    codings = concept.coding if concept is not None else ()
    return [found for each in codings if (found := allergies.get((each.system, each.code))) is not None]


def _not_understood(record: AllergyIntolerance) -> str:
    coding = record.code.coding if record.code is not None else ()
    code = next((shown(each.code) for each in coding), "an entry without a code")
    charted = [category for category in _CATEGORIES if category in record.category]
    beside = f" (charted as {', '.join(charted)})" if charted else ""
    return f"{code}{beside}: allergy not understood: look; map it in the source map"


def _used(record: AllergyIntolerance, kind: IssueKind, text: str, patient: str | None) -> Issue:
    return Issue(kind=kind, source=source_of(record), text=text, patient=patient, used=True)


def allergies_known(
    notes: Mapping[str, Sequence[AllergyNote]], known_by: Instant, merged: Mapping[str, str]
) -> AllergiesKnown:
    """Return what stands by a moment.

    Shape: `notes` by resource, each version once or more; `merged` from a replaced record to the surviving one.
    "None known" in the record of a patient that was replaced says nothing of the surviving one: ask.
    """
    of: dict[str, list[Allergy]] = {}
    issues: list[Issue] = []
    ignored: Counter[tuple[str, str]] = Counter()
    for versions in notes.values():
        dated = _dated(versions)
        told = next((note for note in reversed(dated) if note.known <= known_by), None)
        _count_unused(dated, told, known_by, ignored)
        if told is None or told.ignored is not None:
            continue
        issues.extend(told.issues)
        patient = merged.get(told.patient, told.patient)
        of.setdefault(patient, []).extend(
            Allergy(group=group, source=told.source, known=told.known)
            for group in told.groups
            if group != NONE_KNOWN or patient == told.patient
        )
    return AllergiesKnown(
        of={patient: tuple(sorted(found, key=_in_order)) for patient, found in of.items()},
        issues=tuple(issues),
        ignored=+ignored,
    )


def _dated(versions: Iterable[AllergyNote]) -> list[AllergyNote]:
    """Return the versions in the order in which they were stored, each with when what it says became known.

    A version that leaves the entry as it was keeps its first known time; one that changes it became known when it was
    stored, unless it states an entry time of its own (design 2.7.5).
    """
    dated: list[AllergyNote] = []
    told: set[Instant] = set()
    for version in sorted(versions, key=_stored):
        note = version
        if dated and _says(version) == _says(dated[-1]):
            note = replace(version, known=dated[-1].known)
        elif version.known in told:
            note = replace(version, known=max(_stored(version), version.known))
        dated.append(note)
        told.add(version.known)
    return dated


def _count_unused(
    dated: Sequence[AllergyNote], told: AllergyNote | None, known_by: Instant, ignored: Counter[tuple[str, str]]
) -> None:
    """Count the versions that could count and do not: copies, and all but the one that holds."""
    said = {note.updated: note for note in dated if note.ignored is None}
    ignored["AllergyIntolerance", DUPLICATE] += sum(note.ignored is None for note in dated) - len(said)
    for note in said.values():
        if told is None or note.updated != told.updated:
            ignored["AllergyIntolerance", NOT_KNOWN_YET if note.known > known_by else SUPERSEDED] += 1


def _says(note: AllergyNote) -> tuple[str, tuple[str, ...], str | None]:
    return note.patient, note.groups, note.ignored


def _stored(note: AllergyNote) -> Instant:
    return ALWAYS - 1 if note.updated is None else note.updated


def _in_order(allergy: Allergy) -> tuple[str, str]:
    return allergy.group, allergy.source
