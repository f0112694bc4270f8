"""Made-up states of one dressing site, and a board of Tasks and Flags in memory that reconcile's changes are put on. No I/O.

The clock of the unit is that of Berlin (UTC+1 in winter, UTC+2 from 29 March 2026), never UTC. The patient, the line and
every number here are made up.
"""

from collections.abc import Iterable
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import datetime, time
from zoneinfo import ZoneInfo

from linedays.core.asked import conditions
from linedays.core.changes import Change, Create, is_write
from linedays.core.compared import Condition
from linedays.core.evidence import withdrawn_sources
from linedays.core.model import DressingSite, EndBasis, Fact, FactKind, Line, StartBasis, Stay, Timeline, Whereabouts
from linedays.core.moment import Instant, Moment, exactly
from linedays.core.own_tasks import joined_steps, own_tasks
from linedays.core.policy import Shifts
from linedays.core.reconcile import reconcile
from linedays.core.states import Anchor, AnchorBasis, ItemState, Priority, Reason, SiteFinding, SiteState, State
from linedays.fhir.checks import problems_of
from linedays.fhir.identity import Identity
from linedays.fhir.outputs import changed, created, read_existing, ref_of, site_wanted
from linedays.fhir.outputs.flag import FlagContent, wanted_flag
from linedays.fhir.outputs.task import TaskContent, wanted_task
from support.values import replace

BERLIN = ZoneInfo("Europe/Berlin")
SHIFTS = Shifts(
    starts=(time(7), time(19)), quiet_from=time(22), quiet_until=time(6), change_margin=30 * 60
)
US = Identity()
LINE = "Device/picc-1"
PATIENT = "Patient/made-up-1"


def at(text: str) -> Instant:
    """Return the instant of a local time of the unit, `2026-03-11 10:00`."""
    return int(datetime.fromisoformat(text).replace(tzinfo=BERLIN).timestamp())


INSERTED = at("2026-03-01 09:00")
CHANGED = at("2026-03-03 10:00")
DUE = at("2026-03-10 10:00")  # 3 March 10:00 + 7 × 24 h, all in winter time
WINDOW = at("2026-03-09 19:00")  # the latest shift start at least 12 h before due


def line(**other) -> Line:
    """Return a made-up PICC inserted on 1 March."""
    values = {
        "key": LINE,
        "patient": PATIENT,
        "kind": "picc",
        "site": "upper arm",
        "side": "left",
        "start": exactly(INSERTED),
        "start_basis": StartBasis.INSERTION,
        "start_source": "Procedure/insertion-1",
        "aliases": ("Procedure/insertion-1",),
    }
    return Line(**(values | other))


def fact(kind: FactKind, source: str, when: Instant | Moment, *findings: str, **other) -> Fact:
    """Return a fact about the line, known when it happened."""
    happened = exactly(when) if isinstance(when, int) else when
    values = {"kind": kind, "patient": PATIENT, "source": source, "happened": happened, "known": happened.latest}
    return Fact(**(values | {"findings": findings} | other))


def anchor(source: str = "Procedure/change-1", when: Instant = CHANGED, **other) -> Anchor:
    """Return what an item counts from."""
    values = {"at": when, "happened": exactly(when), "basis": AnchorBasis.CHANGE, "source": source, "known": when}
    return Anchor(**(values | {"dressing_kind": "chg-gel"} | other))


def finding(what: str, source: str, when: Instant, **other) -> SiteFinding:
    """Return a finding that stands, known when it was seen."""
    return SiteFinding(**({"finding": what, "seen": exactly(when), "known": when, "source": source} | other))


CLOCKED = frozenset({State.NOT_DUE, State.WINDOW_OPEN, State.DUE, State.OVERDUE})
PRIORITY = {
    State.WINDOW_OPEN: Priority.ROUTINE,
    State.DUE: Priority.ROUTINE,
    State.OVERDUE: Priority.URGENT,
    State.UNKNOWN: Priority.URGENT,
    State.COMPROMISED: Priority.ASAP,
}


def item(state: State, **other) -> ItemState:
    """Return the state of the dressing; with an anchor and its clock unless the state is unknown."""
    clocked = state is not State.UNKNOWN
    values = {
        "item": "dressing-change",
        "site": LINE,
        "state": state,
        "priority": PRIORITY.get(state),
        "reason": Reason(code="unknown-no-date") if state is State.UNKNOWN else Reason(code="interval"),
        "rule": "chg-7d",
        "anchor": anchor() if clocked else None,
        "window_from": WINDOW if clocked else None,
        "due": DUE if clocked else None,
        "overdue_from": DUE + 1 if clocked else None,
    }
    return ItemState(**(values | other))


def concern(what: str, source: str, when: Instant, **other) -> ItemState:
    """Return a site concern."""
    values = {
        "item": "site-assessment",
        "site": LINE,
        "state": State.DUE,
        "priority": Priority.URGENT,
        "reason": Reason(code="site-concern"),
        "findings": (finding(what, source, when),),
    }
    return ItemState(**(values | other))


def site(dressing: ItemState | None, now: Instant, *, facts: tuple[Fact, ...] = (), **other) -> SiteState:
    """Return the state of the site at a moment."""
    lines = other.pop("lines", (line(),))
    timelines = tuple(Timeline(line=one, facts=facts if index == 0 else ()) for index, one in enumerate(lines))
    values = {
        "site": DressingSite(key=lines[0].key, timelines=timelines),
        "at": now,
        "whereabouts": Whereabouts.IN_PLACE,
        "items": () if dressing is None else (dressing,),
        "place": "bed-12",
        "unit": "ward-north",
        "encounter": "stay-1",
        "zone": BERLIN,
    }
    return SiteState(**(values | other))


def removed(now: Instant, when: Instant, basis: EndBasis = EndBasis.REMOVAL) -> SiteState:
    """Return the site after its line was charted out."""
    ended = replace(line(), end=exactly(when), end_basis=basis, end_source="Procedure/removal-1")
    return site(None, now, lines=(ended,), whereabouts=Whereabouts.ENDED)


def content(state: SiteState, about: ItemState, **other) -> TaskContent:
    """Return the state with texts that a unit's wording could give."""
    values = {
        "title": "Dressing change · PICC, left upper arm",
        "reason": f"state {about.state.value}, by the unit's 7-day rule",
        "notes": ("Informs, does not order: local policy and licensed practice decide.",),
        "who": "registered nurse",
        "policy_hash": "policy-0001",
        "reminder": lambda when: f"marked done {when}, no change in the chart",
        "before": lambda act: f"offered again; declined {act.at}" + (f": {act.said}" if act.said else ""),
    }
    return TaskContent(state=state, item=about, **(values | other))


def flag_content(state: SiteState, condition: Condition) -> FlagContent:
    """Return the Flag's content for a condition that holds."""
    holding = next(one for one in conditions(state) if one.condition is condition)
    return FlagContent(state=state, holding=holding, text=f"{condition.value}, as charted", policy_hash="policy-0001")


@dataclass
class Board:
    """Tasks and Flags as a server would hold them; `sweep` puts the changes for one site on it."""

    resources: dict[str, dict] = field(default_factory=dict)
    identity: Identity = US
    made: int = 0

    def sweep(
        self, state: SiteState, *, stays: tuple[Stay, ...] = (), read: tuple[Fact, ...] = (), look_only: bool = False
    ) -> tuple[Change, ...]:
        """Return the changes for a site and put them on the board, each checked as before sending."""
        tasks = [wanted_task(content(state, about, steps=steps), self.identity) for about, steps in own_tasks(state)]
        flags = tuple(
            wanted_flag(flag_content(state, one.condition), self.identity) for one in conditions(state)
        )
        wanted = site_wanted(
            state,
            (*(task for task in tasks if task), *flags),
            shifts=SHIFTS,
            stays=stays,
            withdrawn=withdrawn_sources(read),
            joined=frozenset(step.item for step in joined_steps(state)),
        )
        existing = [one for one in (read_existing(r, self.identity) for r in self.resources.values()) if one]
        changes = reconcile([wanted], existing, at=state.at, name=self.identity.name)
        if not look_only:
            self.put(changes, state.at)
        return changes

    def put(self, changes: tuple[Change, ...], now: Instant) -> None:
        """Put changes on the board."""
        for change in changes:
            if not is_write(change):
                continue
            ref = ref_of(change)
            if isinstance(change, Create):
                resource = created(change, self.identity, at=now, zone=BERLIN)
                self.made += 1
                ref = f"{resource['resourceType']}/{self.made}"
                resource = {**resource, "id": str(self.made)}
            else:
                before = deepcopy(self.resources[ref])
                resource = changed(self.resources[ref], change, self.identity, at=now, zone=BERLIN)
                assert self.resources[ref] == before, "what was read must stay as it was"
            assert problems_of(resource, self.identity) == ()
            self.resources[ref] = resource

    def of(self, kind: str, *statuses: str) -> list[dict]:
        """Return the resources of a type, in the order they were made, of these statuses (none given: all)."""
        found = [one for one in self.resources.values() if one["resourceType"] == kind]
        return [one for one in found if not statuses or one["status"] in statuses]

    def person(self, ref: str, now: Instant, **elements) -> None:
        """Let a person change elements of a resource."""
        stamp = datetime.fromtimestamp(now, BERLIN).isoformat()
        times = {"lastModified": stamp} if ref.startswith("Task/") else {}
        self.resources[ref] = {**self.resources[ref], **times, **elements}


NOON = at("2026-03-10 12:00")
OPEN = ("requested", "received", "accepted", "ready", "in-progress", "on-hold", "draft")


def kinds(changes: Iterable[Change]) -> list[type]:
    """Return what is written, by kind of change."""
    return [type(change) for change in changes if is_write(change)]


def quiet_after(board: Board, state: SiteState, **told) -> None:
    """Check that asking again at the same moment writes nothing."""
    assert kinds(board.sweep(state, look_only=True, **told)) == []
