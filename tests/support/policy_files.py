"""The shipped policy files, and copies of them with one edit, as documents."""

from functools import cache
from pathlib import Path

from linedays.adapters.mapping_files import document_from_text, find_mappings, read_documents
from linedays.mapping.documents import Documents, PolicyInvalid, Problem
from linedays.mapping.parse import policy_from_documents

FOLDER: Path = find_mappings(None)


@cache
def shipped() -> Documents:
    return read_documents(FOLDER).under("policy")


def text_of(file: str) -> str:
    return (FOLDER / file).read_text(encoding="utf-8")


def replaced(file: str, *edits: tuple[str, str]) -> str:
    """Return the text of a file with the first occurrence of each old text exchanged."""
    text = text_of(file)
    for old, new in edits:
        assert old in text, f"{file} does not hold {old!r}"
        text = text.replace(old, new, 1)
    return text


def documents_with(texts: dict[str, str]) -> Documents:
    """Return the shipped documents with some files exchanged or added."""
    problems: list[Problem] = []
    documents = [document for document in shipped().documents if document.file not in texts]
    for file, text in texts.items():
        document = document_from_text(text, file, problems)
        documents.extend([document] if document is not None else [])
    documents.sort(key=lambda document: document.file)
    return Documents(documents=tuple(documents), problems=tuple(problems))


def problems_of(documents: Documents) -> tuple[Problem, ...]:
    try:
        policy_from_documents(documents)
    except PolicyInvalid as error:
        return error.problems
    return ()


def line_of(text: str, marker: str, start: int = 0) -> int:
    """Return the number of the first line at or after a position that holds the marker, else of the first of all."""
    at = text.find(marker, start)
    return text.count("\n", 0, at if at >= 0 else text.index(marker)) + 1
