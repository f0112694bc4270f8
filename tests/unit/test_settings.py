"""Settings come from the command line, then the environment, then a default; what has no safe default is asked for."""

from pathlib import Path

import pytest

from linedays.run.settings import VARIABLES, SettingMissing, read_settings, token_from_file, zone_named


@pytest.fixture(autouse=True)
def bare_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)


def test_zone_has_no_default_and_the_message_says_what_to_set() -> None:
    with pytest.raises(SettingMissing, match="--zone or LINEDAYS_ZONE"):
        read_settings(None, None, None)


def test_everything_else_has_a_default() -> None:
    settings = read_settings("Europe/Berlin", None, None)
    assert (settings.zone.key, settings.source, settings.mappings) == ("Europe/Berlin", "reference", None)
    assert settings.store is None
    assert settings.own_system == "https://linedays.example/fhir/identifier"
    assert settings.code_base == "https://linedays.example/fhir/CodeSystem/"


def test_environment_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    told = {
        "LINEDAYS_ZONE": "America/St_Johns",
        "LINEDAYS_SOURCE": "icu-presence",
        "LINEDAYS_MAPPINGS": "elsewhere",
        "LINEDAYS_IDENTIFIER_SYSTEM": "https://ward.example/ids",
        "LINEDAYS_CODE_BASE": "https://ward.example/codes/",
        "LINEDAYS_STORE": "kept/here",
    }
    for name, value in told.items():
        monkeypatch.setenv(name, value)
    settings = read_settings(None, None, None)
    assert (settings.zone.key, settings.source, settings.mappings) == ("America/St_Johns", "icu-presence", Path("elsewhere"))
    assert (settings.own_system, settings.code_base) == ("https://ward.example/ids", "https://ward.example/codes/")
    assert settings.store == Path("kept/here")


def test_command_line_goes_before_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in (("LINEDAYS_ZONE", "Asia/Tokyo"), ("LINEDAYS_SOURCE", "other"), ("LINEDAYS_MAPPINGS", "there")):
        monkeypatch.setenv(name, value)
    settings = read_settings("UTC", "reference", Path("here"))
    assert (settings.zone.key, settings.source, settings.mappings) == ("UTC", "reference", Path("here"))


def test_empty_variables_count_as_not_set(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in VARIABLES:
        monkeypatch.setenv(name, "")
    with pytest.raises(SettingMissing, match="no time zone is set"):
        read_settings(None, None, None)
    assert read_settings("UTC", None, None) == read_settings("UTC", "reference", None)
    assert token_from_file() is None


@pytest.mark.parametrize("name", ["Europe/Atlantis", "../etc", "/etc/localtime", "Europe", "x" * 300, "a\0b"])
def test_zone_that_does_not_exist_is_refused_with_an_example(name: str) -> None:
    with pytest.raises(SettingMissing, match="use an IANA name such as Europe/Berlin"):
        zone_named(name)


def test_code_base_without_its_slash_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LINEDAYS_CODE_BASE", "https://ward.example/codes")
    with pytest.raises(SettingMissing, match="LINEDAYS_CODE_BASE does not end in /"):
        read_settings("UTC", None, None)


def test_token_is_read_without_its_line_end(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("made-up-token\n")
    monkeypatch.setenv("LINEDAYS_TOKEN_FILE", str(file))
    assert token_from_file() == "made-up-token"


@pytest.mark.parametrize("held", [b"", b"\n", b"two tokens", b"a\nb", b"\xff\xfe", "tökén".encode()])
def test_file_that_holds_no_token_is_refused_and_never_quoted(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, held: bytes
) -> None:
    file = tmp_path / "token"
    file.write_bytes(held)
    monkeypatch.setenv("LINEDAYS_TOKEN_FILE", str(file))
    with pytest.raises(SettingMissing, match="LINEDAYS_TOKEN_FILE") as refused:
        token_from_file()
    assert "token alone" in str(refused.value) or "cannot be read" in str(refused.value)
    assert "two tokens" not in str(refused.value)


def test_token_file_that_is_not_there_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LINEDAYS_TOKEN_FILE", str(tmp_path / "nothing"))
    with pytest.raises(SettingMissing, match="cannot be read"):
        token_from_file()
