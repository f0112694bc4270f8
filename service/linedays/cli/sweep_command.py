"""The command line of a sweep → one sweep, dry or written, and what is shown of it.

I/O through run and the console only.
"""

from argparse import Namespace
from collections import Counter
from datetime import tzinfo

from rich.console import Console

from linedays.cli.commands import progress, times
from linedays.cli.tables import print_cautions, print_issues, print_json, print_tally, table
from linedays.core.changes import Held
from linedays.core.holds import (
    CLOSES_ALWAYS,
    CLOSES_ONE_IN,
    CREATES_ALWAYS,
    CREATES_TIMES_USUAL,
    Guarded,
    Hold,
    holding,
)
from linedays.fhir.searches import VALUE_TYPE
from linedays.run.errors import LOOK_FIRST, NotAsWritten
from linedays.run.guarded_sweep import (
    LAST_SWEEPS,
    Asked,
    GuardedSweep,
    WriterSetting,
    history_if_set,
    looked_at,
    writing_sweep,
)
from linedays.run.input import from_path
from linedays.run.listing import iso, listing
from linedays.run.plan import SweepPlan, plan_sweep
from linedays.run.preview import preview_from_text
from linedays.run.settings import read_settings
from linedays.run.sweep import read_and_plan
from linedays.run.wiring import (
    Wired,
    identity_of,
    machine_clock,
    process_name,
    server_at,
    store_to_write,
    wire,
)
from linedays.run.writer import record_system_key

MOST_ISSUES = 10
_LIMITS = {
    Guarded.CREATES: (
        f"{CREATES_TIMES_USUAL} times the median of the last {LAST_SWEEPS} sweeps, at least {CREATES_ALWAYS}"
    ),
    Guarded.CLOSES: f"one in {CLOSES_ONE_IN} of what is open, at least {CLOSES_ALWAYS}",
}


def sweep(arguments: Namespace, console: Console) -> int:
    """Read, derive, and write or show what would be written."""
    asked = _asked(arguments)
    wired = wire(read_settings(arguments.zone, arguments.source, arguments.mappings))
    swept = _written(arguments, wired, asked) if arguments.apply else _dry(arguments, wired)
    if arguments.format == "json":
        print_json(console, _as_json(swept, wired))
    else:
        _print(swept, wired, console, with_apply=arguments.apply)
    if swept.outcome is not None:
        return int(bool(swept.outcome.refused or swept.holds))
    return LOOK_FIRST if arguments.apply else int(any(each.problems for each in swept.plan.writes))


def _asked(arguments: Namespace) -> Asked:
    if (arguments.path is None) == (arguments.fhir is None):
        raise NotAsWritten("say where to read from: either --from PATH or --fhir URL")
    if arguments.apply and arguments.fhir is None:
        raise NotAsWritten("--apply writes to a FHIR server: name it with --fhir URL")
    if not arguments.apply and (arguments.first or arguments.release or arguments.expect):
        raise NotAsWritten("--first, --release and --expect say how to write: they go with --apply")
    expected = None if arguments.expect is None else preview_from_text(arguments.expect)
    if arguments.expect is not None and expected is None:
        raise NotAsWritten("--expect takes a preview as a sweep without --apply prints it: 8-0-0123456789abcdef")
    return Asked(first=arguments.first, released=frozenset(map(Guarded, arguments.release)), expected=expected)


def _dry(arguments: Namespace, wired: Wired) -> GuardedSweep:
    identity = identity_of(wired.settings)
    at, _ = times(arguments, wired)
    with progress("read") as told:
        if arguments.fhir is None:
            plan = plan_sweep(from_path(arguments.path, told), {}, wired.instance, wired.wording, identity, at=at)
            return looked_at(plan, identity, None)
        with server_at(arguments.fhir) as server:
            history = history_if_set(wired.settings, record_system_key(server.base_url, identity.system))
            return looked_at(read_and_plan(server, wired, identity, at=at, told=told), identity, history)


def _written(arguments: Namespace, wired: Wired, asked: Asked) -> GuardedSweep:
    identity = identity_of(wired.settings)
    at, _ = times(arguments, wired)
    with progress("read") as told, store_to_write(wired.settings) as store, server_at(arguments.fhir) as server:
        key = record_system_key(server.base_url, identity.system)
        setting = WriterSetting(store=store, key=key, clock=machine_clock(), process=process_name())
        return writing_sweep(server, wired, identity, setting, asked, at=at, told=told)


def _rows(swept: GuardedSweep) -> list[tuple[str, str, str, str]]:
    rows, held_by = [], holding(swept.holds)
    values: Counter[tuple[str, str]] = Counter()
    for each in swept.plan.writes:
        resource = each.resource
        says = resource.get("description") or resource.get("code", {}).get("text", "")
        what = f"{resource['resourceType']} {each.how}"
        why = "; ".join(each.problems) or ("held" if held_by(each.change) else "")
        if resource["resourceType"] == VALUE_TYPE:
            # Ten and more for each line: told one by one they would hide the rest.
            values[what, why] += 1
        else:
            rows.append((what, resource.get("priority", ""), says, why))
    rows += [
        (what, "", f"{count} derived values (--format json lists each)", why) for (what, why), count in values.items()
    ]
    return sorted(rows)


def _print(swept: GuardedSweep, wired: Wired, console: Console, *, with_apply: bool) -> None:
    plan, outcome = swept.plan, swept.outcome
    derivation = plan.derivation
    dry = "nothing was" if with_apply else "dry run: nothing was; --apply writes"
    head = f"Would be written ({dry})" if outcome is None else "Written"
    title = f"{head} · {iso(derivation.at, wired.instance.zone)} · policy {wired.instance.policy.content_hash}"
    console.print(table(title, ("what", "priority", "says", "not sent because"), _rows(swept)))
    console.print(f"{len(plan.writes)} writes, {len(plan.held)} held back, {len(plan.left)} left as they are")
    if plan.unread:
        named = ", ".join(plan.unread)
        console.print(f"of ours, in a form that cannot be read, so left alone: {named}", soft_wrap=True)
    for words in (*_waiting(plan, wired), *map(_hold_words, swept.holds), *_guard_words(swept)):
        console.print(words, soft_wrap=True)
    if outcome is not None:
        console.print(table("Outcomes", ("write", "count"), sorted(outcome.counts.items())))
        for what, why in outcome.refused:
            console.print(f"{what}: {why}", soft_wrap=True)
    found = listing(derivation, wired.instance, wired.wording)
    print_tally(console, found["read"])
    print_issues(console, found["issues"], MOST_ISSUES)
    print_cautions(console, wired.wording.cautions)


def _waiting(plan: SweepPlan, wired: Wired) -> list[str]:
    zone = wired.instance.zone
    held = Counter(
        f"held back until {iso(change.until, zone)} (quiet hours, shift change or deferral)" for change in plan.held
    )
    left = Counter(f"left: {change.reason}" for change in plan.left)
    return [f"{count} {words}" for words, count in sorted({**held, **left}.items())]


def _what(hold: Hold) -> str:
    return f"{hold.kind} {hold.what}" if hold.kind else f"{hold.what} of what is no longer found"


def _hold_words(hold: Hold) -> str:
    return (
        f"held until a person has looked: {hold.count} {_what(hold)}, where up to {hold.limit} pass by themselves "
        f"({_LIMITS[hold.what]}); what is compromised or stat is not among them. "
        f"--apply --release {hold.what} lets them through in one sweep"
    )


def _guard_words(swept: GuardedSweep) -> list[str]:
    use = f" (--apply --expect {swept.preview} writes this or nothing)" if swept.outcome is None else ""
    words = [f"preview {swept.preview}{use}"]
    if swept.is_first and swept.outcome is None:
        words.append(
            "no writing sweep of this record system has come to its end, as far as the store knows, so the first one "
            f"halts here: look at the list, then --apply --first --expect {swept.preview} writes it"
        )
    if swept.is_first is None:
        words.append("what --apply would hold is not said here: that takes --fhir URL and the store (LINEDAYS_STORE)")
    return words


def _as_json(swept: GuardedSweep, wired: Wired) -> dict[str, object]:
    zone, plan, outcome = wired.instance.zone, swept.plan, swept.outcome
    held_by = holding(swept.holds)
    return {
        "at": iso(plan.derivation.at, zone),
        "policy": wired.instance.policy.content_hash,
        "preview": str(swept.preview),
        "first": swept.is_first,
        "applied": outcome is not None,
        "writes": [
            {
                "change": each.how,
                "resource": each.resource,
                "problems": list(each.problems),
                "on_hold": held_by(each.change) is not None,
            }
            for each in plan.writes
        ],
        "holds": [
            {"what": _what(hold), "count": hold.count, "limit": hold.limit, "release": hold.what.value}
            for hold in swept.holds
        ],
        "held": [_held(change, zone) for change in plan.held],
        "left": [{"ref": change.existing.ref, "reason": str(change.reason)} for change in plan.left],
        "unread": list(plan.unread),
        "outcomes": dict(outcome.counts) if outcome is not None else None,
        "refused": [list(pair) for pair in outcome.refused] if outcome is not None else None,
        "cautions": list(wired.wording.cautions),
    }


def _held(change: Held, zone: tzinfo) -> dict[str, str]:
    return {"until": iso(change.until, zone), "state": str(change.wanted.state)}
