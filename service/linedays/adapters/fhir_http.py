"""Sends one request to the record system and turns what can go wrong into our two errors. I/O: HTTP.

The only layer that repeats a request, and only GET: at most `Retries.tries` times, with full jitter, honouring
Retry-After. The access token lives in the client's headers and goes to the one origin it is meant for: redirects are
not followed and addresses of other origins are refused. Nothing logged or raised here holds a path or a query.
"""

import logging
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import TypeVar

import httpx

from linedays.adapters.clock import SystemClock
from linedays.adapters.fhir_bodies import outcome_reasons
from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable
from linedays.core.moment import Instant

T = TypeVar("T")

FHIR_JSON = "application/fhir+json"
TIMEOUT = httpx.Timeout(30.0, connect=3.0)
_WORTH_REPEATING = frozenset({408, 425, 429})


@dataclass(frozen=True, slots=True, kw_only=True)
class Retries:
    """How often and how patiently a GET is repeated.

    Units: seconds. A server that asks for more than `longest` is not waited for. `draw` gives numbers in [0, 1).
    """

    tries: int = 4
    first: float = 0.5
    longest: float = 60.0
    pause: Callable[[float], None] = SystemClock().pause
    draw: Callable[[], float] = random.random


def new_client(bearer: str | None = None) -> httpx.Client:
    """Return an HTTP client for one record system.

    Proxies and credentials of the environment are not picked up: settings come from one place.
    """
    headers = {"Authorization": f"Bearer {bearer}"} if bearer else {}
    return httpx.Client(timeout=TIMEOUT, follow_redirects=False, trust_env=False, headers=headers)


class Exchange:
    """Requests and answers with one origin. `server_time` is the Date of its last answer."""

    def __init__(self, base_url: str, *, client: httpx.Client, retries: Retries) -> None:
        self._base = httpx.URL(base_url)
        if self._base.scheme not in ("http", "https") or not self._base.host or self._base.userinfo:
            raise ValueError("the address of the FHIR server must be http(s)://host/path without a user name")
        self._client = client
        self._retries = retries
        self.server_time: Instant | None = None
        _hide_addresses_in_log()

    def get(self, url: httpx.URL, read: Callable[[httpx.Response], T], *, what: str, headers: Mapping[str, str]) -> T:
        """Return what `read` makes of the answer; repeats while that raises FhirUnavailable and patience lasts."""
        for attempt in range(self._retries.tries):
            try:
                return read(self.send("GET", url, what=what, headers=headers))
            except FhirUnavailable as problem:
                if attempt + 1 == self._retries.tries or not self.wait(problem, attempt):
                    raise
        raise AssertionError("a retry policy allows at least one try")

    def wait(self, problem: FhirUnavailable, attempt: int) -> bool:
        """Pause before the next try; False, without a pause, where another try is no use now."""
        asked = problem.retry_after or 0.0
        if not problem.repeatable or asked > self._retries.longest:
            return False
        spread = min(self._retries.longest, self._retries.first * 2**attempt)
        self._retries.pause(asked + self._retries.draw() * spread)
        return True

    def send(
        self, method: str, url: httpx.URL, *, what: str, headers: Mapping[str, str], content: bytes | None = None
    ) -> httpx.Response:
        """Send a request once.

        Raises: FhirUnavailable for no answer and for statuses that pass by themselves; FhirRejected, before anything
        is sent, where `url` is of another origin.
        """
        self._check_origin(url, what)
        try:
            response = self._client.request(
                method, url, headers={"Accept": FHIR_JSON, **headers}, content=content, follow_redirects=False
            )
        except httpx.TimeoutException as problem:
            raise FhirUnavailable(f"{what}: no answer in time") from problem
        except (httpx.HTTPError, httpx.InvalidURL) as problem:
            raise FhirUnavailable(f"{what}: no connection, or it broke ({type(problem).__name__})") from problem
        self.server_time = _instant_of_date(response.headers.get("Date")) or self.server_time
        if _passes_by_itself(response.status_code):
            raise FhirUnavailable(f"{what}: status {response.status_code}", retry_after=_retry_after(response))
        return response

    def _check_origin(self, url: httpx.URL, what: str) -> None:
        if _origin(url) != _origin(self._base) or url.userinfo:
            raise FhirRejected(
                f"{what}: the server points to an address of another origin; not followed. Behind a proxy, set the "
                "server's own base address to the one used here"
            )


def rejected(response: httpx.Response, *, what: str) -> FhirRejected:
    """Return the error for an answer that is a clear no."""
    status = response.status_code
    if status in (401, 403):
        reason = "not allowed; check the token and its scopes"
    elif 300 <= status < 400:
        reason = "the server redirects to another address; not followed"
    else:
        reason = "refused"
    text = f"{what}: status {status}, {reason}"
    return FhirRejected(text, status=status, diagnostics=outcome_reasons(response.content))


def _passes_by_itself(status: int) -> bool:
    # 501 says that the server cannot do it at all.
    return status in _WORTH_REPEATING or (status >= 500 and status != 501)


def _origin(url: httpx.URL) -> tuple[str, str, int | None]:
    return url.scheme, url.host, url.port or {"http": 80, "https": 443}.get(url.scheme)


def _instant_of_date(text: str | None) -> Instant | None:
    when = _http_date(text)
    return None if when is None else int(when.timestamp())


def _http_date(text: str | None) -> datetime | None:
    try:
        when = parsedate_to_datetime(text or "")
    except ValueError:
        return None
    return when if when.tzinfo else when.replace(tzinfo=UTC)


def _retry_after(response: httpx.Response) -> float | None:
    """Read both forms of Retry-After; a date is taken against the server's own clock, so ours does not matter."""
    text = response.headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return float(text)
    until, sent = _http_date(text), _http_date(response.headers.get("Date"))
    return max(0.0, (until - sent).total_seconds()) if until and sent else None


class _HideAddress(logging.Filter):
    """Replaces addresses in httpx's own log by their origin: paths and queries may name a patient."""

    def filter(self, record: logging.LogRecord) -> bool:
        if isinstance(record.args, tuple):
            record.args = tuple(
                f"{arg.scheme}://{arg.host}/…" if isinstance(arg, httpx.URL) else arg for arg in record.args
            )
        return True


_HIDE_ADDRESS = _HideAddress()


def _hide_addresses_in_log() -> None:
    logging.getLogger("httpx").addFilter(_HIDE_ADDRESS)  # adding the same filter again does nothing
