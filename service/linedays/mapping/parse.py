"""Turns the mapping documents into the policy of the core, or into every problem that keeps them from it. No I/O.

The stages: documents → entries by section (`sections`) → problems of fit (`check`) → values of the core (`build`).
"""

import json
from dataclasses import asdict, replace
from hashlib import sha256
from typing import Any

from linedays.core.policy import (
    FindingMeaning,
    Limits,
    LineKind,
    NotRequiredRule,
    NotRequiredWhen,
    Policy,
    Shifts,
    Source,
    UnitSettings,
    UpkeepRule,
    WindowRule,
)
from linedays.mapping.build import built_rules, source_of
from linedays.mapping.check import policy_problems
from linedays.mapping.check_rules import PRACTICE
from linedays.mapping.documents import Documents, PolicyInvalid
from linedays.mapping.sections import Sections, sections_from_documents
from linedays.mapping.shapes import LimitsShape, LineKindShape, UnitShape

HASH_LENGTH = 16


def policy_from_documents(documents: Documents) -> Policy:
    """Return the policy that the files under policy/ make.

    Raises: PolicyInvalid, with every problem of every file.
    """
    sections, problems = sections_from_documents(documents.under("policy"))
    problems = (*problems, *policy_problems(sections))
    if problems:
        raise PolicyInvalid(problems)
    policy = _policy(sections)
    return replace(policy, content_hash=content_hash(policy))


def content_hash(policy: Policy) -> str:
    """Return the name of exactly these values: it stays when entries, keys or comments move.

    Shape: the first 16 hexadecimal digits of the SHA-256 of a canonical JSON form.
    """
    form = _canonical(asdict(replace(policy, content_hash="")))
    return sha256(_json(form).encode()).hexdigest()[:HASH_LENGTH]


def _canonical(value: Any) -> Any:
    # No order of a policy's lists carries a meaning, so that moving an entry gives the same name.
    if isinstance(value, dict):
        return {key: _canonical(inner) for key, inner in value.items()}
    if isinstance(value, tuple):
        return sorted((_canonical(inner) for inner in value), key=_json)
    return value


def _json(value: Any) -> str:
    return json.dumps(value, sort_keys=True, default=str)


def _policy(sections: Sections) -> Policy:
    staff = {group.code: group.name for group in sections.staff.values}
    rules = tuple(built.rule for built in built_rules(sections))
    return Policy(
        content_hash="",
        line_kinds=tuple(_line_kind(kind, staff[kind.who]) for kind in sections.line_kinds.values),
        dressing_kinds=tuple(kind.code for kind in sections.dressing_kinds.values),
        rules=rules,
        findings=tuple(
            FindingMeaning(code=code, finding_class=row.means, stat=row.stat, source=source_of(row))
            for row in sections.findings.values
            for code in row.findings
        ),
        windows=tuple(
            WindowRule(up_to_days=window.up_to, lead=window.lead, source=source_of(window))
            for window in sections.windows.values
        ),
        units=tuple(_unit(unit) for unit in sections.units.values),
        limits=_limits(sections.limits.values[0], rules),
        staff=tuple(staff.items()),
    )


def _line_kind(shape: LineKindShape, who: str) -> LineKind:
    return LineKind(
        code=shape.code,
        name=shape.name,
        central=shape.central,
        may_go_home=shape.may_go_home,
        dressing=shape.dressing,
        who=who,
        source=source_of(shape),
    )


def _unit(shape: UnitShape) -> UnitSettings:
    shifts = shape.shifts
    return UnitSettings(
        unit=shape.unit,
        usual_dressing=shape.usual_dressing,
        first_dressing=shape.first_dressing,
        shifts=Shifts(
            starts=tuple(shifts.starts),
            quiet_from=shifts.quiet_from,
            quiet_until=shifts.quiet_until,
            change_margin=shifts.change_margin,
        ),
        blood_rule=shape.blood_rule,
        cutoff=shape.cutoff,
        neonatal=shape.neonatal,
        owner=shape.owner,
        source=source_of(shape),
    )


def _limits(shape: LimitsShape, rules: tuple[UpkeepRule, ...]) -> Limits:
    incision, incision_source = _port_incision(rules)
    return Limits(
        ask_days=shape.ask.value,
        after_change_hint=shape.after_change_hint.value,
        off_unit_back=shape.off_unit_back.value,
        off_unit_longest=shape.off_unit_longest.value,
        used_after_removal=shape.used_after_removal.value,
        stay_gap=shape.stay_gap.value,
        port_incision=incision,
        neonate_corrected_weeks=shape.neonate_corrected.value,
        sources=(
            ("ask_days", source_of(shape.ask)),
            ("after_change_hint", source_of(shape.after_change_hint)),
            ("off_unit_back", source_of(shape.off_unit_back)),
            ("off_unit_longest", source_of(shape.off_unit_longest)),
            ("used_after_removal", source_of(shape.used_after_removal)),
            ("stay_gap", source_of(shape.stay_gap)),
            ("port_incision", incision_source),
            ("neonate_corrected_weeks", source_of(shape.neonate_corrected)),
        ),
    )


def _port_incision(rules: tuple[UpkeepRule, ...]) -> tuple[int, Source]:
    """The files state it once, on the rule; the limit repeats the value that came into force last."""
    ports = [
        rule
        for rule in rules
        if isinstance(rule, NotRequiredRule) and rule.when is NotRequiredWhen.PORT_NOT_ACCESSED and rule.incision
    ]
    if not ports:
        return 0, Source(text=PRACTICE)
    last = max(ports, key=lambda rule: rule.since)
    return last.incision, last.source
