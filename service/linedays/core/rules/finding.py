"""The kind of rule under which what was seen decides: a compromised dressing, a site of concern. No I/O.

Source: a compromised dressing is changed at once (CDC-2011 dressing recs 3 and 6; INS-2024 Std 39); no guideline found
gives a number of hours, so there is none here.
"""

from linedays.core.policy import FindingMeaning
from linedays.core.states import Priority, Reason, SiteFinding


def finding_reason(code: str, findings: tuple[SiteFinding, ...], hint_minutes: int) -> Reason:
    """Return the reason that names what was found, first and last seen, and a finding charted right after a change."""
    first = min(findings, key=lambda finding: (finding.seen.earliest, finding.source))
    values: list[tuple[str, str | int]] = [
        ("findings", " ".join(dict.fromkeys(finding.finding for finding in findings))),
        ("at", first.seen.earliest),
        ("precision", first.seen.precision),
    ]
    soon = [(found.minutes_after_change, found) for found in findings if found.minutes_after_change is not None]
    minutes, hinted = min(soon, key=lambda pair: pair[0], default=(hint_minutes + 1, first))
    if minutes <= hint_minutes:
        values.append(("minutes", str(minutes)))
        if hinted.seen != first.seen:
            # Not the one whose time stands above: it is named by its own.
            values.append(("soon", hinted.seen.earliest))
    return Reason(code=code, values=tuple(values))


def finding_priority(
    findings: tuple[SiteFinding, ...], meanings: dict[str, FindingMeaning], otherwise: Priority
) -> Priority:
    """Return stat where a finding calls for someone at once, else the priority given."""
    stat = any(meanings[finding.finding].stat for finding in findings if finding.finding in meanings)
    return Priority.STAT if stat else otherwise
