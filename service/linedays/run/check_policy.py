"""The mapping files → what `policy check` and `policy show` answer. Reads the mappings through the adapters."""

from dataclasses import dataclass
from datetime import UTC
from pathlib import Path

from linedays.adapters.mapping_files import find_mappings, read_documents
from linedays.mapping.counting import counting_from_documents, kinds_that_differ
from linedays.mapping.documents import Documents, PolicyInvalid, Problem
from linedays.mapping.examples import ExampleResult, examples_from_documents, run_examples
from linedays.mapping.explain import ExplainedRule, explain_policy
from linedays.mapping.parse import policy_from_documents
from linedays.mapping.source_map import source_map_from_documents
from linedays.mapping.wording import wording_from_documents


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """What a check found: every problem of every file, and how each worked example came out."""

    folder: Path
    policy_hash: str | None
    problems: tuple[Problem, ...]
    results: tuple[ExampleResult, ...]

    @property
    def failed(self) -> tuple[Problem, ...]:
        """The examples that did not come out as written."""
        return tuple(result.problem for result in self.results if result.problem is not None)


def checked_policy(setting: Path | None) -> Checked:
    """Check every mapping file and run every worked example.

    Raises: DataNotFound.
    """
    folder = find_mappings(setting)
    documents = read_documents(folder)
    problems = set(documents.problems)
    results: tuple[ExampleResult, ...] = ()
    policy_hash: str | None = None
    try:
        policy = policy_from_documents(documents)
        policy_hash = policy.content_hash
        results = run_examples(examples_from_documents(documents, UTC), policy, UTC)
        wording_from_documents(documents, policy)
        problems.update(kinds_that_differ(counting_from_documents(documents), policy.line_kinds))
    except PolicyInvalid as invalid:
        problems.update(invalid.problems)
    problems.update(_problems_of_the_rest(documents))
    return Checked(folder=folder, policy_hash=policy_hash, problems=tuple(sorted(problems)), results=results)


def _problems_of_the_rest(documents: Documents) -> set[Problem]:
    problems: set[Problem] = set()
    try:
        counting_from_documents(documents)
    except PolicyInvalid as invalid:
        problems.update(invalid.problems)
    for document in documents.under("sources").documents:
        try:
            source_map_from_documents(documents, Path(document.file).stem)
        except PolicyInvalid as invalid:
            problems.update(invalid.problems)
    return problems


def shown_policy(setting: Path | None) -> tuple[str, tuple[ExplainedRule, ...]]:
    """Return the policy's hash and every rule in plain words.

    Raises: PolicyInvalid, DataNotFound.
    """
    policy = policy_from_documents(read_documents(find_mappings(setting)))
    return policy.content_hash, explain_policy(policy)
