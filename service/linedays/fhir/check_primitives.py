"""The primitive types of FHIR R4: a value → what is wrong with it, or None. No I/O.

Source: FHIR R4, datatypes (http://hl7.org/fhir/R4/datatypes.html#primitive) and narrative (narrative.html).
"""

import re
from collections.abc import Callable
from datetime import UTC
from html.parser import HTMLParser

from linedays.core.moment import TimeProblem, moment_from_text

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_CODE = re.compile(r"[^\s]+(\s[^\s]+)*")
_URI = re.compile(r"\S+")
_DATE = re.compile(r"\d{4}(-\d\d(-\d\d)?)?", re.ASCII)
_SECONDS = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", re.ASCII)
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d:[0-5]\d(\.\d+)?", re.ASCII)
_OFFSET = re.compile(r".*(Z|[+-](0\d|1[0-3]):[0-5]\d|[+-]14:00)", re.ASCII)
_ALLOWED_TAGS = frozenset({"div", "p", "br", "b", "i", "em", "strong", "span", "ul", "ol", "li", "table", "tr", "td"})
_ALLOWED_ATTRIBUTES = frozenset({"xmlns", "class", "id", "title", "lang", "xml:lang"})


def _text(value: object) -> str | None:
    return None if isinstance(value, str) and value.strip() else "a text is expected"


def _pattern(pattern: re.Pattern[str], expected: str) -> Callable[[object], str | None]:
    def check(value: object) -> str | None:
        return None if isinstance(value, str) and pattern.fullmatch(value) else expected

    return check


def _date_time(value: object) -> str | None:
    read = moment_from_text(value, UTC) if isinstance(value, str) else TimeProblem.NOT_A_TIME
    if isinstance(read, TimeProblem):
        return f"a dateTime is expected, this is {read.value}"
    if isinstance(value, str) and "T" in value and not (_SECONDS.match(value) and _OFFSET.fullmatch(value)):
        return "a time with seconds and a real offset is expected"
    return None


def _date(value: object) -> str | None:
    return _date_time(value) if isinstance(value, str) and _DATE.fullmatch(value) else "a date is expected"


def _instant(value: object) -> str | None:
    return _date_time(value) if isinstance(value, str) and "T" in value else "an instant with its offset is expected"


def _boolean(value: object) -> str | None:
    return None if isinstance(value, bool) else "true or false is expected"


def _decimal(value: object) -> str | None:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return None if number else "a number is expected"


def _integer(lowest: int) -> Callable[[object], str | None]:
    def check(value: object) -> str | None:
        whole = isinstance(value, int) and not isinstance(value, bool) and value >= lowest
        return None if whole else "a whole number in range is expected"

    return check


class _Markup(HTMLParser):
    """Collects what a narrative may not hold."""

    def __init__(self) -> None:
        super().__init__()
        self.refused = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = {name for name, _ in attrs}
        self.refused = self.refused or tag not in _ALLOWED_TAGS or not names <= _ALLOWED_ATTRIBUTES


def _xhtml(value: object) -> str | None:
    if not isinstance(value, str) or not re.match(r'<div xmlns="http://www\.w3\.org/1999/xhtml"[ >]', value):
        return "a div in the XHTML namespace is expected"
    markup = _Markup()
    markup.feed(value)
    markup.close()
    return "only plain markup is expected, no script, link, image or event" if markup.refused else None


PRIMITIVES: dict[str, Callable[[object], str | None]] = {
    "string": _text,
    "markdown": _text,
    "code": _pattern(_CODE, "a code is expected"),
    "id": _pattern(_ID, "an id of at most 64 letters, digits, - and . is expected"),
    **dict.fromkeys(("uri", "url", "canonical", "oid", "uuid"), _pattern(_URI, "a URI is expected")),
    "base64Binary": _text,
    "decimal": _decimal,
    "time": _pattern(_TIME, "a time of day is expected"),
    "dateTime": _date_time,
    "date": _date,
    "instant": _instant,
    "boolean": _boolean,
    "integer": _integer(-(2**31)),
    "positiveInt": _integer(1),
    "unsignedInt": _integer(0),
    "xhtml": _xhtml,
}
