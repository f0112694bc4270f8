"""A cell of the life table → what is charted of its made-up patient, step by step. No I/O.

Before the first sweep: the state, where it stands then. Between the sweeps: what lets us end the Task and what takes that
back, what turns the state, and the event.
"""

from collections.abc import Callable
from typing import Any

from support.life_table import BY_US, Cell, life_table
from support.small_ward import MADE_UP_WARD, device, look, person, procedure, time

Resource = dict[str, Any]
IN_ERROR = {"status": "entered-in-error"}
OTHER_WARD = MADE_UP_WARD | {"id": "other-ward", "name": "Other Made-up Ward"}
# When the last dressing change was before our first sweep, 7 d to the next (transparent; CDC-2011 rec. 7).
_LAST = {
    "not-required": "06 09:00", "paused": "06 09:00", "overdue": "06 09:00", "not-due": "06 09:00",
    "deferred": "07 20:00", "window-open": "07 20:00",
    "compromised": "13 09:00", "since-intact": "13 09:00", "site-concern": "13 09:00", "stat": "13 09:00",
}  # fmt: skip
# To which time an event corrects it.
_LATER = {
    "not-required": "08 09:00", "paused": "08 09:00", "overdue": "08 09:00", "not-due": "13 21:00",
    "deferred": "09 20:00", "window-open": "09 20:00",
    "compromised": "13 15:00", "since-intact": "13 15:00", "site-concern": "13 15:00", "stat": "13 15:00",
}  # fmt: skip
_EARLIER = {
    "not-required": "05 09:00", "paused": "05 09:00", "overdue": "05 09:00", "not-due": "05 09:00",
    "deferred": "05 20:00", "window-open": "05 20:00",
    "compromised": "11 09:00", "since-intact": "11 09:00", "site-concern": "11 09:00", "stat": "11 09:00",
}  # fmt: skip
_FINDING = {
    "compromised": ("loose", "dressing-condition"), "since-intact": ("loose", "dressing-condition"),
    "due": ("undated", "dressing-condition"), "site-concern": ("redness", "site-assessment"), "stat": ("pus", "site-assessment"),
}  # fmt: skip
_ABOUT_THE_SITE = frozenset({"site-concern", "stat"})


def _changed(cell: Cell, at: str, entered: str | None = None, **other: Any) -> Resource:
    return procedure("dressing-change", at, cell.patient, _line(cell), entered=entered, dressing="transparent", **other)


def _line(cell: Cell) -> str:
    return f"{cell.patient}-line"


def _last_change(cell: Cell, at: str | None = None, entered: str | None = None) -> Resource:
    return _changed(cell, at or _LAST[cell.state], entered, id=f"{_line(cell)}-last-change")


def _finding(cell: Cell) -> Resource:
    what, code = _FINDING[cell.state]
    return look(what, "14 08:00", cell.patient, _line(cell), code=code, id=f"{_line(cell)}-finding")


def _seen(cell: Cell, what: str, at: str, code: str = "dressing-condition") -> Resource:
    return look(what, at, cell.patient, _line(cell), code=code)


def _told(cell: Cell, code: str, at: str) -> Resource:
    found = look("none", at, cell.patient, _line(cell), code=code, valueBoolean=True, id=f"{_line(cell)}-{code}")
    del found["valueCodeableConcept"]
    return found


def _stay(cell: Cell, **other: Any) -> Resource:
    return person(cell.patient)[1] | other


def _placed_line(cell: Cell, name: str, kind: str, site: str) -> list[Resource]:
    where = {"bodySite": [{"text": site}]}
    return [device(name, cell.patient, kind), procedure("insertion", "02 09:00", cell.patient, name, dressing="transparent", **where)]


def before(cell: Cell) -> list[Resource]:
    """Return the patient as charted before our first sweep."""
    charted = person(cell.patient)
    if cell.state in _LAST:
        kind = "tunnelled-cvc" if cell.state == "not-required" else "picc"
        charted += [*_placed_line(cell, _line(cell), kind, "basilic"), _last_change(cell)]
    else:
        charted.append(device(_line(cell), cell.patient))
    if cell.state in _FINDING:
        charted.append(_finding(cell))
    if cell.state == "since-intact":
        charted.append(_seen(cell, "intact", "14 08:30"))
    if cell.event == "other-line-changed":
        other = f"{cell.patient}-other"
        charted += _placed_line(cell, other, "midline", "cephalic")
        charted.append(procedure("dressing-change", "13 09:00", cell.patient, other, dressing="transparent"))
    return charted


def closing(cell: Cell) -> list[Resource]:
    """Return what is charted at 10:05 for which we end the Task."""
    if cell.status not in BY_US:
        return []
    if cell.status == "completed-by-us":
        calm = _seen(cell, "none", "14 10:05", "site-assessment")
        change = _changed(cell, "14 10:05", id=f"{_line(cell)}-closing")
        return [calm] if cell.state == "site-concern" else [change, calm] if cell.state == "stat" else [change]
    if cell.event == "removal-withdrawn":
        return [procedure("removal", "14 10:05", cell.patient, _line(cell), id=f"{_line(cell)}-removal")]
    if cell.event == "death-withdrawn":
        return [person(cell.patient)[0] | {"deceasedDateTime": time("14 10:05")}]
    return [_finding(cell) | IN_ERROR] if cell.state in _ABOUT_THE_SITE else [_pause(cell, "14 10:05", "closing")]


def reopening(cell: Cell) -> list[Resource]:
    """Return the same, taken back at 10:11: it was charted in error, or nobody died, or the finding is one after all."""
    found: list[Resource] = []
    for one in closing(cell):
        if one["resourceType"] == "Patient":
            found.append(person(cell.patient)[0])
        else:
            found.append(_finding(cell) if one["id"] == f"{_line(cell)}-finding" else one | IN_ERROR)
    return found


def _pause(cell: Cell, at: str, name: str) -> Resource:
    period = {"start": time(at), "end": time("16 10:30")}
    found = procedure("upkeep-paused", at, cell.patient, _line(cell), status="on-hold", performedPeriod=period, id=f"{_line(cell)}-{name}")
    del found["performedDateTime"]
    return found


def turning(cell: Cell) -> list[Resource]:
    """Return what is charted at 10:30 that brings about a state which an open Task can only meet later."""
    if cell.state not in life_table().turned_later:
        return []
    refused = {"coding": [{"system": "https://linedays.example/fhir/CodeSystem/not-done-reason", "code": "refused"}]}
    not_done = procedure(
        "dressing-change", "14 10:30", cell.patient, _line(cell), status="not-done", statusReason=refused, id=f"{_line(cell)}-refused"
    )
    return [
        {
            "not-required": _told(cell, "exit-site-healed", "14 10:30"),
            "paused": _pause(cell, "14 10:30", "pause"),
            "deferred": not_done,
            "not-due": _last_change(cell, "13 09:00", "14 10:30"),
        }[cell.state]
    ]


def _removed(cell: Cell, at: str, **other: Any) -> Resource:
    return procedure("removal", at, cell.patient, _line(cell), id=f"{_line(cell)}-removal", **other)


def _over(cell: Cell, at: str) -> Resource:
    place = {"location": {"reference": "Location/made-up-ward"}, "status": "completed"}
    period = {"start": time("01 08:00"), "end": time(at)}
    return _stay(cell, status="finished", period=period, location=[place | {"period": period}])


def _transferred(cell: Cell) -> Resource:
    first = {"location": {"reference": "Location/made-up-ward"}, "status": "completed"}
    then = {"location": {"reference": "Location/other-ward"}, "status": "active", "period": {"start": time("14 12:00")}}
    return _stay(cell, location=[first | {"period": {"start": time("01 08:00"), "end": time("14 12:00")}}, then])


def _converted(cell: Cell) -> list[Resource]:
    place = {"location": {"reference": "Location/made-up-ward"}, "status": "active", "period": {"start": time("14 11:05")}}
    new = _stay(cell, id=f"stay-{cell.patient}-second", period={"start": time("14 11:05")}, location=[place])
    return [_over(cell, "14 11:00"), new]


def _by_day(cell: Cell) -> Resource:
    return _changed(cell, "14 11:00", id=f"{_line(cell)}-by-day") | {"performedDateTime": "2031-05-14"}


EVENTS: dict[str, Callable[[Cell], list[Resource]]] = {
    "nothing": lambda cell: [],
    "change-on-time": lambda cell: [_changed(cell, "14 11:00")],
    "change-late": lambda cell: [_changed(cell, "14 09:30", "14 11:30")],
    "change-before-the-finding": lambda cell: [_changed(cell, "14 07:30", "14 11:30")],
    "change-in-the-minute": lambda cell: [_changed(cell, "14 08:00", "14 11:30")],
    "change-date-only": lambda cell: [_by_day(cell)],
    "corrected-later": lambda cell: [_last_change(cell, _LATER[cell.state], "14 11:00")],
    "corrected-earlier": lambda cell: [_last_change(cell, _EARLIER[cell.state], "14 11:00")],
    "corrected-past-the-finding": lambda cell: [_last_change(cell, "14 09:30", "14 11:00")],
    "change-retracted": lambda cell: [_last_change(cell) | IN_ERROR],
    "finding": lambda cell: [_seen(cell, "damp", "14 12:00")],
    "worse-finding": lambda cell: [_seen(cell, "pus", "14 12:00", "site-assessment")],
    "finding-withdrawn": lambda cell: [_finding(cell) | IN_ERROR],
    "seen-intact": lambda cell: [_seen(cell, "intact", "14 12:00")],
    "site-clear": lambda cell: [_seen(cell, "none", "14 12:00", "site-assessment")],
    "removal": lambda cell: [_removed(cell, "14 13:00")],
    "removal-withdrawn": lambda cell: [_removed(cell, "14 10:05") | IN_ERROR],
    "said-gone": lambda cell: [_told(cell, "line-not-present", "14 12:00")],
    "used-after-removal": lambda cell: [
        _removed(cell, "14 11:00"), procedure("line-access", "14 12:00", cell.patient, _line(cell))
    ],
    "transfer": lambda cell: [_transferred(cell)],
    "discharge": lambda cell: [_over(cell, "14 10:40")],
    "discharged-just-now": lambda cell: [_over(cell, "14 14:00")],
    "conversion": _converted,
    "leave": lambda cell: [_stay(cell, status="onleave")],
    "death": lambda cell: [person(cell.patient)[0] | {"deceasedDateTime": time("14 11:00")}],
    "death-withdrawn": lambda cell: [person(cell.patient)[0]],
    "policy-shortened": lambda cell: [],
    "policy-lengthened": lambda cell: [],
    "other-line-changed": lambda cell: [
        procedure("dressing-change", "14 11:00", cell.patient, f"{cell.patient}-other", dressing="transparent")
    ],
}  # fmt: skip
