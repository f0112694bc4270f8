"""A nurse works on Tasks while a sweep writes: no edit is lost, no status is set back, what a person ended stays so.

Source: design 2.6 ("Ours to do to an open Task"); fhir-facts "concurrency" and "human wins" are common practice, no source;
hazard H07, scorecard T12: 1,000 interleavings, 0 lost edits, a conflict is settled in at most 3 tries. In memory, the
same for the same seed.
"""

import copy
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import pytest

from linedays.adapters.server_starter import load_bundle
from linedays.core.compared import Phase
from linedays.fhir.outputs import read_existing
from linedays.run.plan import SweepPlan
from linedays.run.rereading import read_ours
from linedays.run.writing import apply_plan
from support.memory_fhir_server import MemoryFhirServer
from support.small_ward import AT, IDENTITY, look, planned, procedure
from support.swept_ward import WAYS, changed_ward, sweep, ward

Resource = dict[str, Any]
SEEDS = 1000
WRITING_AT = AT + 1800
# Source: FHIR R4 Task, state machine (http://hl7.org/fhir/R4/task.html#statemachine): what lies further on.
STEPS = {"requested": 0, "received": 1, "accepted": 2, "in-progress": 3, "completed": 4, "rejected": 4, "cancelled": 4,
         "active": 0, "inactive": 4, "entered-in-error": 4}  # fmt: skip
ENDED = 4
OWNER = {"reference": "Practitioner/made-up-nurse"}


def accepted(task: Resource, words: str) -> Resource:
    return {**task, "status": "accepted", "owner": OWNER}


def completed(task: Resource, words: str) -> Resource:
    return {**task, "status": "completed"}


def declined(task: Resource, words: str) -> Resource:
    return {**task, "status": "rejected", "statusReason": {"text": words}}


def cancelled(task: Resource, words: str) -> Resource:
    return {**task, "status": "cancelled", "statusReason": {"text": words}}


def noted(task: Resource, words: str) -> Resource:
    return {**task, "note": [*task.get("note", []), {"text": words}]}


def handed_over(task: Resource, words: str) -> Resource:
    return {**task, "owner": {"display": words}}


def ended(flag: Resource, words: str) -> Resource:
    return {**flag, "status": "inactive", "period": {**flag["period"], "end": "2031-05-14T10:31:00Z"}}


EDITS = (accepted, completed, declined, cancelled, noted, handed_over)
ENDINGS = (completed, declined, cancelled)


def worse_ward() -> MemoryFhirServer:
    """Return the swept ward in which things got worse, were looked at, and one change was charted since."""
    server = ward()
    sweep(server, AT)
    server.tick(1500)
    load_bundle(
        server,
        [
            look("damp", "14 10:11", "over", "over-picc"),
            look("intact", "14 10:12", "loose", "loose-picc"),
            look("tenderness", "14 10:13", "red", "red-picc", code="site-assessment"),
            procedure("dressing-change", "14 10:10", "undated", "undated-picc", dressing="transparent"),
        ],
    )
    server.history.clear()
    server.requests.clear()
    return server


@dataclass
class Nurse:
    """Edits open Tasks of ours, and ends a Flag now and then, before some of the sweep's requests.

    Each edit is made with a look at what stands there.
    """

    server: MemoryFhirServer
    draw: random.Random
    moments: Counter[int]
    asked: int = 0
    did: list[tuple[str, Callable[..., Resource], str]] = field(default_factory=list)

    def __call__(self) -> None:
        self.asked += 1
        for _ in range(self.moments[self.asked]):
            self.work()

    def work(self) -> None:
        kind = self.draw.choice(("Task", "Task", "Task", "Flag"))
        found = [one for (which, _), one in sorted(self.server._stored.items()) if which == kind]
        open_ones = [one["id"] for one in found if STEPS[one["status"]] < ENDED]
        if open_ones:
            ref, edit = f"{kind}/{self.draw.choice(open_ones)}", self.draw.choice(EDITS) if kind == "Task" else ended
            words = f"made-up words {len(self.did)}"
            self.server.person_edits(ref, lambda one: edit(one, words))
            self.did.append((ref, edit, words))


@cache
def prepared(name: str) -> tuple[MemoryFhirServer, SweepPlan, SweepPlan]:
    server = {"changed": changed_ward, "worse": worse_ward}[name]()
    return server, planned(server, WRITING_AT), planned(server, WRITING_AT + 60)


def quietly(server: MemoryFhirServer, later: SweepPlan) -> int:
    """Sweep with nobody about: the facts are as they were, what of ours exists is read afresh."""
    decided = later.decider.decide(read_ours(server, IDENTITY))
    plan = replace(later, writes=decided.writes, held=decided.held, left=decided.left)
    assert apply_plan(plan, server, IDENTITY).refused == []
    return len(plan.writes)


def people_in(task: Resource) -> tuple[Any, ...]:
    """Return what people wrote into a Task: who has it, and their notes (none of ours ends so)."""
    notes = [one["text"] for one in task.get("note", []) if one["text"].startswith("made-up words")]
    return task.get("owner"), notes


def ours_at_first(server: MemoryFhirServer) -> dict[str, Resource]:
    return {f"{kind}/{name}": one for (kind, name), one in server._stored.items() if kind in ("Task", "Flag")}


def check_history(server: MemoryFhirServer, at_first: dict[str, Resource], seed: int) -> None:
    """Fail where one of our writes took away what people wrote, went back, or touched what a person had ended."""
    before = dict(at_first)
    for by, now in server.history:
        ref = f"{now['resourceType']}/{now['id']}"
        old = before.get(ref)
        before[ref] = now
        if by != "us" or old is None:
            continue
        existing = read_existing(old, IDENTITY)
        assert existing is not None
        assert existing.phase is Phase.OPEN, f"seed {seed}: what was ended was written again"
        assert people_in(now) == people_in(old), f"seed {seed}: an edit is lost"
        assert STEPS[now["status"]] >= STEPS[old["status"]], f"seed {seed}: a status was set back"


def check_edits(server: MemoryFhirServer, nurse: Nurse, seed: int) -> None:
    """Fail where an edit is not there at the end."""
    for number, (ref, edit, words) in enumerate(nurse.did):
        kind, _, name = ref.partition("/")
        task = server._stored[kind, name]
        later = [other for which, other, _ in nurse.did[number + 1 :] if which == ref]
        told = f"seed {seed}: {edit.__name__} is lost"
        if edit is noted:
            assert words in people_in(task)[1], told
        elif edit is handed_over and not {handed_over, accepted}.intersection(later):
            assert task["owner"] == {"display": words}, told
        elif edit is accepted:
            assert STEPS[task["status"]] >= STEPS["accepted"], told
            assert "owner" in task, told
        elif edit is ended:
            assert (task["status"], task["period"]["end"]) == ("inactive", "2031-05-14T10:31:00Z"), told
        elif edit in ENDINGS:
            assert task["status"] == edit({}, "")["status"], told
            assert edit is completed or task["statusReason"] == {"text": words}, told


def check_needs(server: MemoryFhirServer, later: SweepPlan, seed: int) -> None:
    """Fail where a line has two open Tasks, or one that asks for something has none though no person ended one."""
    tasks = [one for one in read_ours(server, IDENTITY).values() if one["resourceType"] == "Task"]
    read = [existing for existing in (read_existing(task, IDENTITY) for task in tasks) if existing is not None]
    open_ones = Counter(one.line for one in read if one.phase is Phase.OPEN)
    assert max(open_ones.values(), default=0) <= 1, f"seed {seed}: two open Tasks for one need"
    declined_lines = {one.line for one in read if one.phase is Phase.ENDED_BY_A_PERSON}
    for site in later.decider.sites:
        if any(task.asked for task in site.tasks) and not declined_lines.intersection(site.lines):
            assert any(open_ones[line] for line in site.lines), f"seed {seed}: a need without an open Task"


@pytest.mark.parametrize("name", ["changed", "worse"])
def test_no_edit_is_lost_in_a_thousand_interleavings(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    counts: Counter[str] = Counter()
    template, plan, later = prepared(name)
    for seed in range(SEEDS // 2):
        draw = random.Random(f"{name} {seed}")
        way = draw.choice(list(WAYS))
        monkeypatch.setattr("linedays.run.sending.BATCH_SIZE", draw.choice([3, 50]))
        server = copy.deepcopy(template)
        at_first = ours_at_first(server)
        server.offers = WAYS[way]
        nurse = Nurse(server, draw, Counter(draw.randint(1, 8) for _ in range(draw.randint(1, 4))))
        server.before_request = nurse
        outcome = apply_plan(plan, server, IDENTITY)
        server.before_request = lambda: None
        check_history(server, at_first, seed)
        server.tick(60)
        quietly(server, later)
        check_history(server, at_first, seed)
        check_edits(server, nurse, seed)
        check_needs(server, later, seed)
        assert quietly(server, later) == 0, f"seed {seed}: it does not come to rest"
        left = sum(count for what, count in outcome.counts.items() if "left" in what)
        assert outcome.most_tries <= 3
        counts += Counter(
            {
                f"by {way}": 1,
                "edits": len(nurse.did),
                "contested": sum(count for what, count in outcome.counts.items() if "conflict" in what),
                f"settled in {outcome.most_tries} tries": 1,
                "left for the next sweep": left,
            }
        )
    print(name, dict(sorted(counts.items())))
    assert counts["edits"] > SEEDS // 2
    assert counts["contested"] > 100, "nobody got in the way"


@pytest.mark.parametrize("way", WAYS)
def test_nurse_who_edits_before_every_request_loses_nothing(way: str) -> None:
    for seed in range(20):
        template, plan, later = prepared("worse")
        server = copy.deepcopy(template)
        at_first = ours_at_first(server)
        server.offers = WAYS[way]
        nurse = Nurse(server, random.Random(seed), Counter(range(1, 200)))
        server.before_request = nurse
        outcome = apply_plan(plan, server, IDENTITY)
        server.before_request = lambda: None
        assert outcome.most_tries <= 3
        quietly(server, later)
        check_history(server, at_first, seed)
        check_edits(server, nurse, seed)
        check_needs(server, later, seed)
