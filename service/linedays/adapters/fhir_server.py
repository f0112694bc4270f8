"""Reads and writes a FHIR R4 record system: pages of search results in, outcomes of writes out. I/O: HTTP.

Bodies stay bytes. Errors are `FhirUnavailable` (later) and `FhirRejected` (no); see `fhir_errors`. GETs are repeated
by `fhir_http`; a POST never blindly (a conditional create is repeated once after looking whether it got through), a
PUT not at all, and what is sent by `send` and `send_bundle` not at all: their caller reads again and decides again.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any, Protocol
from urllib.parse import parse_qsl, quote

import httpx
import orjson

from linedays.adapters.entries import BundleKind, Entry, bundle_of, location_of, outcomes_of
from linedays.adapters.fhir_bodies import (
    check_complete,
    check_parameters_applied,
    identity_of,
    links_of_page,
    matches_of_page,
)
from linedays.adapters.fhir_errors import FhirRejected, FhirUnavailable, WriteOutcome, Written
from linedays.adapters.fhir_http import FHIR_JSON, Exchange, Retries, rejected
from linedays.core.moment import Instant

PAGE_SIZE = 200
MOST_PAGES = 100_000
# Some servers cache search results for a minute: ask for the state as it is.
_SEARCH_HEADERS = {"Prefer": "handling=strict", "Cache-Control": "no-cache"}
_WRITE_HEADERS = {"Content-Type": FHIR_JSON, "Prefer": "return=representation"}
# The entries' own outcomes are asked for; what is stored is read where it matters.
_BUNDLE_HEADERS = {"Content-Type": FHIR_JSON, "Prefer": "return=minimal"}


class SearchValue(Protocol):
    """A search as a value, as `linedays.fhir.searches` builds it."""

    @property
    def resource_type(self) -> str:
        """The type searched for."""

    @property
    def params(self) -> tuple[tuple[str, str], ...]:
        """The parameters in order, names may repeat."""


class FhirServer:
    """One FHIR R4 server under its base address."""

    def __init__(
        self, base_url: str, *, client: httpx.Client, retries: Retries | None = None, most_pages: int = MOST_PAGES
    ) -> None:
        self._base = base_url.rstrip("/")
        self._most_pages = most_pages
        self._exchange = Exchange(base_url, client=client, retries=retries or Retries())

    @property
    def base_url(self) -> str:
        """The address that everything is read from and written to."""
        return self._base

    @property
    def server_time(self) -> Instant | None:
        """The server's own clock at its last answer; None before the first or where it sends no Date."""
        return self._exchange.server_time

    def read_metadata(self) -> bytes:
        """Return the CapabilityStatement.

        Raises: FhirUnavailable, FhirRejected.
        """
        return self._get("metadata", "capabilities")

    def read(self, resource_type: str, resource_id: str) -> bytes | None:
        """Return one resource; None where there is none, or it was deleted.

        Raises: FhirUnavailable, FhirRejected.
        """
        try:
            return self._get(f"{resource_type}/{quote(resource_id, safe='')}", f"read of {resource_type}")
        except FhirRejected as problem:
            if problem.status in (404, 410):
                return None
            raise

    def read_pages(self, search: SearchValue) -> Iterator[bytes]:
        """Yield the pages of a search as they come; a page may repeat what an earlier one held.

        Raises: SearchIgnored before the first page where the server did not apply every parameter; FhirUnavailable,
        FhirRejected at any page: what was yielded so far is then not the whole answer.
        """
        what = f"search of {search.resource_type}"
        params = search.params
        if not any(name == "_count" for name, _ in params):
            params = (*params, ("_count", str(PAGE_SIZE)))
        url = httpx.URL(f"{self._base}/{search.resource_type}", params=params)
        seen: set[httpx.URL] = set()
        while len(seen) < self._most_pages:
            body, links = self._page(url, what)
            if not seen:
                check_parameters_applied(search.params, links.get("self"), resource_type=search.resource_type)
            seen.add(url)
            yield body
            if "next" not in links:
                return
            url = _followed(url, links["next"], what)
            if url in seen:
                raise FhirRejected(f"{what}: the pages go round in a circle; the answer is incomplete")
        raise FhirRejected(f"{what}: more than {self._most_pages} pages; narrow the search")

    def create(self, resource: Mapping[str, Any], if_none_exist: str) -> WriteOutcome:
        """Create a resource unless one matches `if_none_exist` (a query such as `identifier=system|value`).

        Raises: FhirUnavailable, FhirRejected.
        """
        try:
            return self._post(resource, if_none_exist)
        except FhirUnavailable as lost:
            if not self._exchange.wait(lost, 0):
                raise
        # The answer is lost, the create perhaps not: look before asking again.
        return self._existing(resource["resourceType"], if_none_exist) or self._post(resource, if_none_exist)

    def update(self, resource: Mapping[str, Any], version: str | None) -> WriteOutcome:
        """Replace the resource of this type and id, if `version` is still its version; else CONFLICT.

        Without a version whatever stands there is replaced: only for what has an id made from its content.
        Raises: FhirUnavailable, FhirRejected.
        """
        resource_type, what = resource["resourceType"], f"update of {resource['resourceType']}"
        headers = _WRITE_HEADERS if version is None else {**_WRITE_HEADERS, "If-Match": f'W/"{version}"'}
        url = httpx.URL(f"{self._base}/{resource_type}/{quote(resource['id'], safe='')}")
        response = self._exchange.send("PUT", url, what=what, headers=headers, content=orjson.dumps(resource))
        match response.status_code:
            case 200 | 201:
                return _outcome(Written.UPDATED, response, resource_type)
            case 409 | 412:
                return WriteOutcome(result=Written.CONFLICT)
            case _:
                raise rejected(response, what=what)

    def send(self, entry: Entry) -> WriteOutcome:
        """Send one write, once; a refusal is an outcome.

        Raises: FhirUnavailable (it may or may not have been applied).
        """
        try:
            if entry.if_none_exist is not None:
                return self._post(entry.resource, entry.if_none_exist)
            return self.update(entry.resource, entry.version)
        except FhirRejected as no:
            gone = entry.if_none_exist is None and no.status in (404, 410)
            return WriteOutcome(result=Written.GONE if gone else Written.REJECTED, said=str(no))

    def send_bundle(self, kind: BundleKind, entries: Sequence[Entry]) -> tuple[WriteOutcome, ...]:
        """Send writes in one request, once; return what each came to, in order.

        Raises: FhirRejected where the Bundle as a whole is refused (a transaction with any entry that cannot be
        applied); FhirUnavailable: any entry of it may or may not have been applied.
        """
        what = kind.value
        content = orjson.dumps(bundle_of(kind, entries))
        response = self._exchange.send(
            "POST", httpx.URL(self._base), what=what, headers=_BUNDLE_HEADERS, content=content
        )
        if response.status_code != 200:
            raise rejected(response, what=what)
        check_complete(response.content, what=what)
        return outcomes_of(response.content, entries, what=what)

    def wait(self, problem: FhirUnavailable, attempt: int) -> bool:
        """Pause before asking again, as the server wishes; False, without a pause, where that is no use now."""
        return self._exchange.wait(problem, attempt)

    def transact(self, entries: Sequence[Mapping[str, Any]]) -> bytes:
        """Send the entries of a transaction: all or nothing; return the server's answer.

        Raises: FhirUnavailable (it may or may not have been applied), FhirRejected.
        """
        what = "transaction"
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}
        response = self._exchange.send(
            "POST", httpx.URL(self._base), what=what, headers=_WRITE_HEADERS, content=orjson.dumps(bundle)
        )
        if response.status_code != 200:
            raise rejected(response, what=what)
        check_complete(response.content, what=what)
        return response.content

    def _get(self, path: str, what: str) -> bytes:
        def body_of(response: httpx.Response) -> bytes:
            if response.status_code != 200:
                raise rejected(response, what=what)
            check_complete(response.content, what=what)
            return response.content

        return self._exchange.get(httpx.URL(f"{self._base}/{path}"), body_of, what=what, headers={})

    def _page(self, url: httpx.URL, what: str) -> tuple[bytes, dict[str, str]]:
        return self._exchange.get(url, partial(_page_of, what=what), what=what, headers=_SEARCH_HEADERS)

    def _post(self, resource: Mapping[str, Any], if_none_exist: str) -> WriteOutcome:
        resource_type, what = resource["resourceType"], f"create of {resource['resourceType']}"
        headers = {**_WRITE_HEADERS, "If-None-Exist": if_none_exist}
        url = httpx.URL(f"{self._base}/{resource_type}")
        response = self._exchange.send("POST", url, what=what, headers=headers, content=orjson.dumps(resource))
        match response.status_code:
            case 201:
                return _outcome(Written.CREATED, response, resource_type)
            case 200:
                return _outcome(Written.EXISTED, response, resource_type)
            case 412:
                return WriteOutcome(result=Written.SEVERAL)
            case 409:
                return WriteOutcome(result=Written.CONFLICT)
            case _:
                raise rejected(response, what=what)

    def _existing(self, resource_type: str, query: str) -> WriteOutcome | None:
        found: dict[str | None, WriteOutcome] = {}
        for page in self.read_pages(_Matching(resource_type, tuple(parse_qsl(query, keep_blank_values=True)))):
            for body in matches_of_page(page):
                key, version = identity_of(body, resource_type)
                found[key] = WriteOutcome(result=Written.EXISTED, id=key, version=version, body=body)
        if len(found) > 1:
            return WriteOutcome(result=Written.SEVERAL)
        return next(iter(found.values()), None)


class _Matching:
    """The search behind an If-None-Exist."""

    def __init__(self, resource_type: str, params: tuple[tuple[str, str], ...]) -> None:
        self.resource_type = resource_type
        self.params = params


def _page_of(response: httpx.Response, *, what: str) -> tuple[bytes, dict[str, str]]:
    if response.status_code == 410:
        raise FhirUnavailable(f"{what}: the page has expired; begin the search anew", repeatable=False)
    if response.status_code != 200:
        raise rejected(response, what=what)
    return response.content, links_of_page(response.content, what=what)


def _followed(page: httpx.URL, link: str, what: str) -> httpx.URL:
    try:
        return page.join(link)
    except httpx.InvalidURL as problem:
        raise FhirRejected(f"{what}: the link to the next page is not an address") from problem


def _outcome(result: Written, response: httpx.Response, resource_type: str) -> WriteOutcome:
    """Take id and version from the body, else from the Location and ETag headers."""
    body = response.content or None
    key, version = identity_of(response.content, resource_type)
    headers = response.headers
    where, tag = location_of(headers.get("Location", ""), headers.get("ETag", ""), resource_type)
    return WriteOutcome(
        result=result, id=key or where, version=version or tag, body=body if key is not None else None
    )
