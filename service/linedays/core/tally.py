"""One patient's facts and chart → which of the resources with facts were used after all, and which were not. No I/O."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from linedays.core.model import Fact, FactKind, PatientChart

NOT_KNOWN_YET = "not-known-yet"
DUPLICATE = "duplicate"
SUPERSEDED = "superseded-version"
_RETRACTED = FactKind.RETRACTED


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """Of a patient's resources with facts: how many are not used, as issues by type and as ignored by (type, rule)."""

    issues: Counter[str]
    ignored: Counter[tuple[str, str]]


def shortfall(facts: Sequence[Fact], chart: PatientChart) -> Shortfall:
    """Return the resources none of whose facts stand.

    A retracted version was counted as ignored when it was read; it is not counted again here.
    """
    issues: Counter[str] = Counter()
    ignored: Counter[tuple[str, str]] = Counter()
    if len(facts) == len(chart.standing):
        # What stands came from these facts: as many as facts means that each came once, and all stand.
        return Shortfall(issues=issues, ignored=ignored)
    versions: dict[str, list[Fact]] = {}
    for fact in facts:
        versions.setdefault(fact.source, []).append(fact)
    for source, told in versions.items():
        name = source.partition("/")[0]
        said = [fact for fact in told if fact.kind is not _RETRACTED]
        if not said:
            continue
        if len(told) > 1:
            _count_versions(name, said, ignored)
        if source in chart.standing:
            continue
        if len(said) < len(told) and source not in chart.not_yet_known:
            ignored[name, SUPERSEDED] += 1
        elif source in chart.not_yet_known:
            ignored[name, NOT_KNOWN_YET] += 1
        else:
            issues[name] += 1
    return Shortfall(issues=issues, ignored=ignored)


def _count_versions(name: str, said: list[Fact], ignored: Counter[tuple[str, str]]) -> None:
    """Count the copies and the older versions of one resource: only one version of it can be used."""
    read = Counter(fact.updated for fact in said)
    distinct = Counter(fact.updated for fact in set(said))
    copies = sum(read[updated] // distinct[updated] - 1 for updated in read)
    if copies:
        ignored[name, DUPLICATE] += copies
    if len(read) > 1:
        ignored[name, SUPERSEDED] += len(read) - 1
