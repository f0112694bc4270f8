"""The environment and the command line → frozen settings, once. The only reader of the environment.

A value on the command line goes before the one in the environment. Nothing here is secret but the token, which is read
from a file and never shown.
"""

import os
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

OWN_SYSTEM = "https://linedays.example/fhir/identifier"
CODE_BASE = "https://linedays.example/fhir/CodeSystem/"
SOURCE = "reference"


class SettingMissing(Exception):
    """A setting that has no safe default is not set, or what is set cannot be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What a deployment has set; without a `store` nothing can be written."""

    zone: ZoneInfo
    source: str
    mappings: Path | None
    own_system: str
    code_base: str
    store: Path | None = None


VARIABLES = {
    "LINEDAYS_ZONE": "IANA name of the hospital's time zone, such as Europe/Berlin (required)",
    "LINEDAYS_SOURCE": "name of the source map in mappings/sources (default: reference)",
    "LINEDAYS_MAPPINGS": "folder of the mappings (default: the packaged copy)",
    "LINEDAYS_IDENTIFIER_SYSTEM": "identifier system of everything we write",
    "LINEDAYS_CODE_BASE": "canonical base of our code systems, ending in /",
    "LINEDAYS_TOKEN_FILE": "file with the bearer token for the FHIR server",
    "LINEDAYS_STORE": "folder of the store: the writer's lock and what sweeps wrote; needed to write",
}


def read_settings(zone: str | None, source: str | None, mappings: Path | None) -> Settings:
    """Return the settings.

    Raises: SettingMissing where the time zone is not stated or not known, or the code base is no base.
    """
    name = zone or os.environ.get("LINEDAYS_ZONE")
    if not name:
        raise SettingMissing(
            "no time zone is set: state the hospital's with --zone or LINEDAYS_ZONE (an IANA name such as "
            "Europe/Berlin); it decides calendar days and shifts, so there is no default"
        )
    folder, store = os.environ.get("LINEDAYS_MAPPINGS"), os.environ.get("LINEDAYS_STORE")
    code_base = os.environ.get("LINEDAYS_CODE_BASE") or CODE_BASE
    if not code_base.endswith("/"):
        raise SettingMissing("LINEDAYS_CODE_BASE does not end in /: the names of our code systems are put behind it")
    return Settings(
        zone=zone_named(name),
        source=source or os.environ.get("LINEDAYS_SOURCE") or SOURCE,
        mappings=mappings or (Path(folder) if folder else None),
        own_system=os.environ.get("LINEDAYS_IDENTIFIER_SYSTEM") or OWN_SYSTEM,
        code_base=code_base,
        store=Path(store) if store else None,
    )


def zone_named(name: str) -> ZoneInfo:
    """Return a time zone by its IANA name.

    Raises: SettingMissing where there is none of that name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise SettingMissing(f"no time zone is called {name!r}: use an IANA name such as Europe/Berlin") from error


def token_from_file() -> str | None:
    """Return the bearer token, where a file with one is set.

    Raises: SettingMissing where the file cannot be read, or does not hold one token.
    """
    name = os.environ.get("LINEDAYS_TOKEN_FILE")
    if not name:
        return None
    try:
        token = Path(name).read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingMissing("the file named by LINEDAYS_TOKEN_FILE cannot be read as text") from error
    if not token or len(token.split()) != 1:
        raise SettingMissing(
            "the file named by LINEDAYS_TOKEN_FILE does not hold one token: put the bearer token alone into it"
        )
    return token
