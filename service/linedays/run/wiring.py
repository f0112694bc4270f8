"""Settings → the instance everything else works with. Reads the mappings and names the concrete adapters. Does I/O."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import TypeVar

from linedays.adapters.clock import SystemClock
from linedays.adapters.fhir_http import new_client
from linedays.adapters.fhir_server import FhirServer
from linedays.adapters.mapping_files import find_mappings, read_documents
from linedays.adapters.server_starter import started_server
from linedays.adapters.writer_store import opened_store, store_if_there, this_process
from linedays.fhir.identity import Identity
from linedays.mapping.counting import counting_from_documents
from linedays.mapping.documents import Documents, PolicyInvalid, Problem
from linedays.mapping.parse import policy_from_documents
from linedays.mapping.source_map import source_map_from_documents
from linedays.mapping.wording import Wording, wording_from_documents
from linedays.run.derive import Instance
from linedays.run.ports import WriterStore
from linedays.run.settings import SettingMissing, Settings, token_from_file, zone_named

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wired:
    """Everything that a command needs: the instance, the wording, and where the mappings were found."""

    settings: Settings
    instance: Instance
    wording: Wording
    documents: Documents
    mappings: Path


def wire(settings: Settings) -> Wired:
    """Read the mappings and build the instance.

    Raises: PolicyInvalid with every problem of every mapping file at once; DataNotFound.
    """
    folder = find_mappings(settings.mappings)
    documents = read_documents(folder)
    problems: list[Problem] = []
    policy = _collect(lambda: policy_from_documents(documents), problems)
    counting = _collect(lambda: counting_from_documents(documents), problems)
    source_map = _collect(lambda: source_map_from_documents(documents, settings.source), problems)
    wording = _collect(lambda: wording_from_documents(documents, policy), problems) if policy else None
    if policy is None or counting is None or source_map is None or wording is None:
        raise PolicyInvalid(problems)
    instance = Instance(
        policy=policy,
        counting=counting,
        source_map=source_map,
        zone=settings.zone,
        own_system=settings.own_system,
        zone_of=known_zone,
    )
    return Wired(settings=settings, instance=instance, wording=wording, documents=documents, mappings=folder)


def _collect(build: Callable[[], T], problems: list[Problem]) -> T | None:
    try:
        return build()
    except PolicyInvalid as invalid:
        problems.extend(invalid.problems)
        return None


def known_zone(name: str) -> tzinfo | None:
    """Return the zone that a Location states, or None where no zone has that name."""
    try:
        return zone_named(name)
    except SettingMissing:
        return None


@contextmanager
def server_at(url: str) -> Iterator[FhirServer]:
    """Yield the FHIR server at a base URL for as long as it is used.

    Raises: SettingMissing where that is not an address, or the token cannot be read.
    """
    if not url.isprintable():
        raise SettingMissing(
            "the FHIR server's address holds what no address may hold: write it as http(s)://host/path"
        )
    with new_client(bearer=token_from_file()) as client:
        try:
            server = FhirServer(url, client=client)
        except ValueError as error:
            raise SettingMissing(f"the FHIR server cannot be asked: {error}") from error
        yield server


def identity_of(settings: Settings) -> Identity:
    """Return the names under which this instance writes."""
    return Identity(system=settings.own_system, codes=settings.code_base)


@contextmanager
def store_to_write(settings: Settings) -> Iterator[WriterStore]:
    """Yield the store, which a sweep that writes cannot do without.

    Raises: SettingMissing where none is set; StoreProblem.
    """
    if settings.store is None:
        raise SettingMissing(
            "no store is set, and writing needs one: let LINEDAYS_STORE name a folder on this machine that stays (it "
            "is made where it is not there); it holds who may write and what earlier sweeps wrote. A sweep without "
            "--apply needs none"
        )
    with opened_store(settings.store) as store:
        yield store


@contextmanager
def store_to_read(settings: Settings) -> Iterator[WriterStore | None]:
    """Yield the store where one is set and there; nothing is made.

    Raises: StoreProblem.
    """
    if settings.store is None:
        yield None
        return
    with store_if_there(settings.store) as store:
        yield store


def process_name() -> str:
    """Return the name of this process as a writer."""
    return this_process()


def machine_clock() -> SystemClock:
    """Return the machine's clocks; each command reads the wall clock once."""
    return SystemClock()


@contextmanager
def demo_server(url: str | None) -> Iterator[FhirServer]:
    """Yield the FHIR server at a base URL, or one that is up on this machine for as long as it is used.

    Raises: ServerNotStarted, with what to install.
    """
    if url is not None:
        with server_at(url) as server:
            yield server
        return
    # The hospital's token is not for this one.
    with started_server() as base_url, new_client() as client:
        yield FhirServer(base_url, client=client)


def wait_until_interrupted() -> None:
    """Return when the person at the keyboard presses Ctrl-C."""
    clock = machine_clock()
    try:
        while True:
            clock.pause(1)
    except KeyboardInterrupt:
        return
