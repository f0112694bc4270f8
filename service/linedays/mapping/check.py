"""The entries of the policy files → every problem of how they fit together. No I/O."""

from linedays.mapping.build import built_rules
from linedays.mapping.check_coverage import coverage_problems
from linedays.mapping.check_examples import example_problems
from linedays.mapping.check_rules import rule_problems
from linedays.mapping.check_settings import setting_problems
from linedays.mapping.documents import Problem
from linedays.mapping.references import reference_problems
from linedays.mapping.sections import Sections


def policy_problems(sections: Sections) -> tuple[Problem, ...]:
    """Return every problem of how the entries fit together, in no order."""
    return (
        *reference_problems(sections),
        *rule_problems(sections),
        *coverage_problems(sections, built_rules(sections)),
        *setting_problems(sections),
        *example_problems(sections),
    )
