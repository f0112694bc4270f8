"""What a cell of the life table is to come to, and what stood before and after → every difference, in words. No I/O."""

from typing import Any

from linedays.fhir.identity import key_of
from support.life_table import BY_US, OPEN, Cell, Expected
from support.life_table_charts import EVENTS
from support.life_table_run import LAST, NOTE, Life, code_of
from support.small_ward import IDENTITY, instant

Resource = dict[str, Any]
_RANK = ("routine", "urgent", "asap", "stat")
_REASONS = {"Task": "statusReason", "Flag": "extension"}


def task_differences(cell: Cell, expected: Expected, life: Life) -> list[str]:
    """Return how the Tasks of a cell differ from what its rule says."""
    rule, then, now = expected.task.told, life.then.tasks, life.now.tasks
    if (len(then) == 0) != (rule["task"] == "none"):
        return [f"{len(then)} Tasks stood before"]
    (ref, old), *earlier = [*then.items(), (None, None)]
    told = [f"{one} was written, none stood" for one in then if one not in now]
    if old is not None and ref is not None:
        if not _stands_as(cell, old):
            return [f"before the event the Task was {_seen(old)}"]
        told += _of_old(cell, old, now[ref], expected)
        assert earlier == [(None, None)], f"{cell}: more than one Task stood before"
    return told + _of_new([task for other, task in now.items() if other not in then], expected, cell) + _of_all(life, cell)


def _stands_as(cell: Cell, old: Resource) -> bool:
    status = cell.status.partition("-by-")[0]
    ended_by_us = code_of(old.get("statusReason"), "end-reason") is not None
    return old["status"] == status and ended_by_us == (cell.status in BY_US)


def _of_old(cell: Cell, old: Resource, new: Resource, expected: Expected) -> list[str]:
    rule = expected.task.told
    told = _carried(old, new)
    match rule["task"]:
        case "left":
            return told + ([] if new == old else [f"the Task is written again: {_seen(new)}"])
        case "completed" | "cancelled" as status:
            because = code_of(new.get("statusReason"), "end-reason")
            if new["status"] != status or because is None or because != rule.get("because", because):
                return [*told, f"the Task is {_seen(new)}"]
            return told + (_answered(cell, new) if status == "completed" else [])
        case "follows":
            if new["status"] != old["status"]:
                return [*told, f"the Task is {_seen(new)}, its status was {old['status']}"]
            return told + _follows(old, new, expected)
        case other:
            raise AssertionError(other)


def _answered(cell: Cell, new: Resource) -> list[str]:
    """A completed Task names the entry that completed it."""
    (entry,) = EVENTS[cell.event](cell)
    named = [one["valueReference"]["reference"] for one in new.get("output", [])]
    return [] if named == [f"{entry['resourceType']}/{entry['id']}"] else [f"its output is {named}"]


def _follows(old: Resource, new: Resource, expected: Expected) -> list[str]:
    asked = expected.asked
    priority = old["priority"]
    if expected.task.told.get("priority", "raised") == "raised" and "code" in asked:
        priority = max(asked["priority"], priority, key=_RANK.index)
    elif expected.task.told.get("priority") == "routine":
        priority = "routine"
    told = [] if new["priority"] == priority else [f"priority {new['priority']}, not {priority}"]
    if "code" in asked:
        told += _shows(new, asked)
    if new["identifier"] != old["identifier"]:
        told.append("it has another identifier")
    return told


def _shows(task: Resource, asked: dict[str, Any]) -> list[str]:
    found = {"code": code_of(task["code"], "upkeep-item"), "severity": code_of(task.get("reasonCode"), "upkeep-state")}
    return [f"{name} {value}, not {asked[name]}" for name, value in found.items() if name in asked and value != asked[name]]


def _of_new(made: list[Resource], expected: Expected, cell: Cell) -> list[str]:
    wanted, asked = expected.task.told["new"], expected.asked
    if wanted == "none":
        return [f"one more Task is written: {_seen(one)}" for one in made]
    if len(made) != 1:
        return [f"{len(made)} more Tasks are written, not 1"]
    (task,) = made
    if wanted == "chart-the-change":
        asked = {"code": "chart-the-change"}
    told = _shows(task, asked)
    if task["status"] != "requested" or task["intent"] != "plan":
        told.append(f"the other Task is {_seen(task)}")
    if "priority" in asked and task["priority"] != asked["priority"]:
        told.append(f"the other Task has priority {task['priority']}, not {asked['priority']}")
    return told + ([] if _place(task) == _unit(cell) else ["the other Task names another unit"])


def _unit(cell: Cell) -> str | None:
    if cell.event == "discharged-just-now":
        return None
    return "Location/other-ward" if cell.event == "transfer" else "Location/made-up-ward"


def _place(task: Resource) -> str | None:
    return (task.get("location") or {}).get("reference")


def _carried(old: Resource, new: Resource) -> list[str]:
    """What a person wrote stays (H07); whose it is follows the patient only while nobody has taken it (2.6)."""
    told = ["a person's note is lost"] if NOTE in old["note"] and NOTE not in new["note"] else []
    if old.get("owner") != new.get("owner"):
        told.append("the owner is another")
    if old["status"] not in ("requested", "received") and old["performerType"] != new["performerType"]:
        told.append("who does it is another, and somebody has taken it")
    return told


def _of_all(life: Life, cell: Cell) -> list[str]:
    tasks = list(life.now.tasks.values())
    opened = [task for task in tasks if task["status"] in OPEN]
    told = [f"{len(opened)} Tasks are open"] if len(opened) > 1 else []
    keys = [key_of(task, IDENTITY) for task in tasks]
    if len(set(keys)) < len(keys):
        told.append("two Tasks have one identifier")
    if cell.event in ("transfer", "conversion") and opened and cell.state != "deferred":
        stay = f"Encounter/stay-{cell.patient}" + ("-second" if cell.event == "conversion" else "")
        if (_place(opened[0]), opened[0]["encounter"]["reference"]) != (_unit(cell), stay):
            told.append("the open Task does not follow the patient")
    return told


def flag_differences(cell: Cell, expected: Expected, life: Life) -> list[str]:
    """Return how the Flags of a cell differ from what its situation and its rule say."""
    kinds = [_kind(flag) for flag in life.now.flags.values() if flag["status"] == "active"]
    told = [] if sorted(kinds) == sorted(expected.asked["flags"]) else [f"active: {', '.join(sorted(kinds)) or 'none'}"]
    reasons = expected.flags_end.told["because"]
    for ref, then in life.then.flags.items():
        now = life.now.flags[ref]
        if then["status"] != "active" and now != then:
            told.append("a Flag that had ended is written again")
        elif then["status"] == "active" and now["status"] != "active" and _why(now) not in reasons:
            told.append(f"{_kind(now)} ended because {_why(now)}")
        if now["status"] != "active" and not instant(now["period"]["start"]) <= instant(now["period"]["end"]) <= LAST:
            told.append(f"{_kind(now)} ended before it began or after the sweep")
    return told


def _kind(flag: Resource) -> str:
    return str(code_of(flag["code"], "flag-kind"))


def _why(flag: Resource) -> str | None:
    found = [code_of(one.get("valueCodeableConcept"), "end-reason") for one in flag.get("extension", [])]
    return next((why for why in found if why), None)


def _seen(task: Resource) -> str:
    because = code_of(task.get("statusReason"), "end-reason")
    shown = [task["status"], because, code_of(task["code"], "upkeep-item"), code_of(task.get("reasonCode"), "upkeep-state")]
    return " ".join(str(one) for one in [*shown, task.get("priority")] if one)
