"""One patient's stays → admissions, in order of time. No I/O.

An admission is one unbroken time in hospital: an outermost Encounter with those that are part of it, and the next one
where it begins within a short gap, so that the conversion of one Encounter into another ends nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from linedays.core.model import Stay
from linedays.core.moment import HOUR, Instant

STAY_GAP = 4 * HOUR

_NEVER_HAPPENED = frozenset({"planned", "cancelled", "entered-in-error"})
# v3-ActCode: ambulatory, home health, virtual, field, pre-admission; the patient is not housed in the hospital.
_ELSEWHERE = frozenset({"AMB", "HH", "VR", "FLD", "PRENC"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Admission:
    """One unbroken time in hospital, from `start` until before `end` (None: not ended). `key` is its first stay."""

    key: str
    start: Instant
    end: Instant | None
    stays: tuple[Stay, ...]

    def holds(self, at: Instant) -> bool:
        """Tell whether an instant lies in the admission."""
        return self.start <= at and (self.end is None or at < self.end)


def admissions(stays: Sequence[Stay], *, stay_gap: int = STAY_GAP) -> tuple[Admission, ...]:
    """Return a patient's admissions in order of time.

    Units: `stay_gap` in seconds. Stays of one `top` belong together and end when it ends; a stay that begins less than
    `stay_gap` after the last one ended goes on with the same admission.
    """
    groups: dict[str, list[Stay]] = {}
    for stay in stays:
        if stay.status not in _NEVER_HAPPENED and stay.encounter_class not in _ELSEWHERE:
            groups.setdefault(stay.top, []).append(stay)
    found: list[Admission] = []
    for one in sorted((_whole(top, group) for top, group in groups.items()), key=lambda one: (one.start, one.key)):
        before = found[-1] if found else None
        if before is not None and (before.end is None or one.start < before.end + stay_gap):
            found[-1] = _joined(before, one)
        else:
            found.append(one)
    return tuple(found)


def in_admission(stays: Sequence[Stay], at: Instant, *, stay_gap: int = STAY_GAP) -> Admission | None:
    """Return the admission that an instant lies in, or None."""
    return next((one for one in admissions(stays, stay_gap=stay_gap) if one.holds(at)), None)


def _whole(top: str, group: list[Stay]) -> Admission:
    outermost = [stay for stay in group if stay.id == top]
    ends = [_end_of(stay) for stay in outermost or group]
    return Admission(
        key=top, start=min(stay.start for stay in group), end=_last(ends), stays=tuple(sorted(group, key=_by_start))
    )


def _end_of(stay: Stay) -> Instant | None:
    """Return the end of a stay; one that is finished without saying when ended at its last charted place."""
    if stay.end is not None or stay.status != "finished":
        return stay.end
    return max((span.end or span.start for span in stay.places), default=stay.start)


def _joined(before: Admission, after: Admission) -> Admission:
    return Admission(
        key=before.key, start=before.start, end=_last([before.end, after.end]), stays=before.stays + after.stays
    )


def _last(ends: list[Instant | None]) -> Instant | None:
    known = [end for end in ends if end is not None]
    return max(known) if len(known) == len(ends) else None


def _by_start(stay: Stay) -> tuple[Instant, str]:
    return stay.start, stay.id
