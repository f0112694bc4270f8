"""Dockerfile, .dockerignore and docker-compose.yml: they fit their published form, and mean what they have to mean.

Sources: the Compose Specification's own JSON Schema (schema/compose-spec.json of compose-spec/compose-spec, Apache-2.0), as
the package check-jsonschema carries it, by an independent validator. What is asked of the image and of the network is our
own choice, in line with common practice; no source.
"""

import json
import re
from importlib.resources import files
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from linedays import __version__
from linedays.run.settings import VARIABLES
from support.container_files import (
    COMPOSE,
    DOCKERFILE,
    ROOT,
    compose,
    context_files,
    copied,
    ignore_patterns,
    instructions_of,
    is_ignored,
    stages,
)

SERVICES = {"fhir-db", "fhir", "linedays"}
IMAGE = re.compile(r"[a-z0-9-]+(?:/[a-z0-9-]+)?:v?\d+\.\d+[A-Za-z0-9.-]*")


def faults(document: Any) -> list[str]:
    schema = json.loads(files("check_jsonschema").joinpath("builtin_schemas/vendor/compose-spec.json").read_bytes())
    Draft202012Validator.check_schema(schema)
    found = Draft202012Validator(schema).iter_errors(document)
    return [f"{list(error.absolute_path)}: {error.message}" for error in found]


def uncommented(text: str) -> str:
    """Return docker-compose.yml with the two lines for the hospital's own mappings taken out of their comments."""
    changed, count = re.subn(r"# (LINEDAYS_MAPPINGS:|- \./hospital-mappings:)", r"\1", text)
    assert count == 2
    return changed


def service(name: str) -> dict[str, Any]:
    return compose()["services"][name]


def test_compose_file_fits_the_schema_of_its_specification() -> None:
    assert faults(compose()) == []
    assert set(compose()["services"]) == SERVICES


def test_compose_file_with_mappings_of_the_hospital_fits_too_and_mounts_them_read_only() -> None:
    document = yaml.safe_load(uncommented(COMPOSE.read_text(encoding="utf-8")))
    assert faults(document) == []
    ours = document["services"]["linedays"]
    mounts = dict(volume.split(":", 1) for volume in ours["volumes"])
    assert mounts["./hospital-mappings"] == ours["environment"]["LINEDAYS_MAPPINGS"] + ":ro"


@pytest.mark.parametrize(
    ("name", "value"), [("port", ["8080:8080"]), ("restart", 15), ("depends_on", {"fhir": {"condition": "up"}})]
)
def test_schema_finds_a_fault(name: str, value: Any) -> None:
    document = compose()
    document["services"]["linedays"][name] = value
    assert any(fault.startswith("['services', 'linedays'") and name in fault for fault in faults(document))


def test_every_image_is_named_without_a_host_and_with_its_version() -> None:
    images = [stage.image for stage in stages()] + [service(name)["image"] for name in SERVICES]
    assert len(images) == 5
    for image in images:
        assert IMAGE.fullmatch(image), image
    assert all(stage.image.startswith("python:3.11.") and "-slim" in stage.image for stage in stages())
    assert len({stage.image for stage in stages()}) == 1  # the environment points to the interpreter of its stage


@pytest.mark.parametrize("image", ["python", "python:latest", "python:3", "example.org/python:3.11.1", "localhost:5000/a:1.0"])
def test_image_without_a_version_or_with_a_host_is_found(image: str) -> None:
    assert IMAGE.fullmatch(image) is None


def test_version_is_that_of_the_project_wherever_it_stands() -> None:
    labels = " ".join(stages()[-1].all("LABEL"))
    assert f'org.opencontainers.image.version="{__version__}"' in labels
    assert service("linedays")["image"] == f"linedays:{__version__}"
    assert f"--tag linedays:{__version__} " in DOCKERFILE.read_text(encoding="utf-8")


def test_image_runs_linedays_by_a_number_that_is_not_root() -> None:
    final = stages()[-1]
    words = [word for word, _ in final.instructions]
    user = final.all("USER")[-1]
    assert re.fullmatch(r"([1-9]\d*):\1", user), user
    assert final.all("ENTRYPOINT") == ['["linedays"]']
    # Nothing runs as anybody else after that, and the folder of the store is theirs alone.
    assert words.index("USER") > max(number for number, word in enumerate(words) if word in ("RUN", "COPY", "ADD"))
    owner = user.partition(":")[0]
    assert f"install --directory --owner={owner} --group={owner} --mode=0700 /var/lib/linedays" in final.all("RUN")[0]
    assert "LINEDAYS_STORE=/var/lib/linedays" in final.all("ENV")[0]


def test_final_stage_gets_the_environment_and_nothing_that_builds() -> None:
    build, final = stages()
    assert [(each.stage, each.sources, each.target) for each in copied(final)] == [
        (build.name, ("/opt/linedays",), "/opt/linedays")
    ]
    (run,) = final.all("RUN")
    assert "pip uninstall --yes --root-user-action=ignore pip setuptools wheel" in run
    assert not re.search(r"\bapt|\bcurl|\bwget|pip3? install|\bsh\b|\bbash\b", run)
    assert all("--constraint constraints.txt" in each for each in build.all("RUN"))
    for stage in stages():
        assert not {"ADD", "SHELL", "ARG", "ONBUILD", "HEALTHCHECK"} & {word for word, _ in stage.instructions}


def test_all_that_is_copied_is_in_the_tree_and_in_the_build_context() -> None:
    taken = [each for each in copied(stages()[0]) if each.stage is None]
    sources = [source for each in taken for source in each.sources]
    assert len(sources) == 7
    for source in sources:
        assert (ROOT / source).exists(), source
        assert context_files(source), source
    # The file that tells how to build names what goes into the wheel; all of it is copied to the same place.
    assert all(each.target == "./" or each.sources == (each.target,) for each in taken)
    assert {"constraints.txt", "pyproject.toml", "mappings", "fixtures/demo-hospital", "service/linedays"} <= set(sources)
    # The other way round: nothing is let into the context that is not copied.
    assert {pattern.removeprefix("!") for pattern in ignore_patterns() if pattern.startswith("!")} == set(sources)


@pytest.mark.parametrize(
    "path",
    [".git/config", ".env", "tests/conftest.py", "service/Dockerfile", "service/linedays/core/__pycache__/a.pyc",
     "fixtures/other/a.json", ".venv/bin/python", "docker-compose.yml", "secret.key", "README.md.orig"],
)  # fmt: skip
def test_what_the_image_is_not_made_of_stays_out_of_the_context(path: str) -> None:
    assert is_ignored(path, ignore_patterns())


@pytest.mark.parametrize(
    ("path", "patterns", "ignored"),
    [
        ("a/b", ["a"], True),
        ("a/b", ["b"], False),
        ("a/b", ["*"], True),
        ("a/b", ["*/b"], True),
        ("a/c/b", ["*/b"], False),
        ("a/c/b", ["**/b"], True),
        ("b", ["**/b"], True),
        ("a/b", ["*", "!a"], False),
        ("a/b", ["!a", "*"], True),
        ("a/b.md", ["*.md"], False),
        ("b.md", ["*.md", "!c.md"], True),
        ("ab", ["a?", "!a"], True),
    ],
)
def test_last_pattern_that_matches_a_path_or_a_folder_above_decides(path: str, patterns: list[str], ignored: bool) -> None:
    assert is_ignored(path, patterns) is ignored


def test_instructions_are_read_over_continued_lines_and_without_comments() -> None:
    assert instructions_of("# a\nfrom x AS y\n\nRUN a \\\n  # b\n    && c\n") == [("FROM", "x AS y"), ("RUN", "a  && c")]


def test_ports_are_open_to_this_machine_only() -> None:
    published = {name: each["ports"] for name, each in compose()["services"].items() if "ports" in each}
    assert list(published) == ["fhir"]
    for port in published["fhir"]:
        assert re.fullmatch(r"127\.0\.0\.1:\d+:\d+", port), port
    assert not [name for name in SERVICES if "network_mode" in service(name)]


def test_database_is_out_of_reach_for_all_but_the_fhir_server() -> None:
    networks = {name: set(service(name)["networks"]) for name in SERVICES}
    assert networks == {"fhir-db": {"database"}, "fhir": {"database", "fhir"}, "linedays": {"fhir"}}
    assert compose()["networks"]["database"] == {"internal": True}


def test_one_shot_is_a_dry_run_against_the_fhir_server_of_the_file() -> None:
    ours = service("linedays")
    assert ours["command"] == ["sweep", "--fhir", "http://fhir:8080/fhir"]
    assert "entrypoint" not in ours
    assert "--apply" not in COMPOSE.read_text(encoding="utf-8")
    assert service("fhir")["ports"][0].endswith(":8080")
    assert ours["build"] == {"context": ".", "dockerfile": DOCKERFILE.relative_to(ROOT).as_posix()}


def test_one_shot_is_shut_in() -> None:
    ours = service("linedays")
    assert ours["read_only"] is True
    assert ours["cap_drop"] == ["ALL"]
    assert ours["security_opt"] == ["no-new-privileges:true"]
    assert not {"privileged", "cap_add", "user", "devices", "pid", "ipc"} & set(ours)
    assert [mount.partition(":")[0] for mount in ours["tmpfs"]] == ["/tmp"]
    assert ours["volumes"] == ["linedays-store:" + ours["environment"]["LINEDAYS_STORE"]]
    assert all("no-new-privileges:true" in service(name)["security_opt"] for name in SERVICES)


def test_each_waits_for_what_it_needs_and_the_one_shot_for_a_bounded_time() -> None:
    assert service("fhir")["depends_on"] == {"fhir-db": {"condition": "service_healthy"}}
    assert "pg_isready" in service("fhir-db")["healthcheck"]["test"]
    # The image of the FHIR server has nothing to check its health with, so the one-shot is tried again, so many times.
    assert "healthcheck" not in service("fhir")
    assert service("linedays")["depends_on"] == {"fhir": {"condition": "service_started"}}
    restart = re.fullmatch(r"on-failure:(\d+)", service("linedays")["restart"])
    assert restart
    pauses = [min(0.1 * 2**number, 60) for number in range(int(restart[1]))]
    assert 300 < sum(pauses) < 600


def test_password_and_time_zone_have_no_default() -> None:
    text = COMPOSE.read_text(encoding="utf-8")
    variables = re.findall(r"\$\{?([A-Z_]+)(.?.?)", text)
    assert variables == [("FHIR_DB_PASSWORD", ":?"), ("LINEDAYS_ZONE", ":?")]
    password = service("fhir-db")["environment"]["POSTGRES_PASSWORD"]
    assert password.startswith("${FHIR_DB_PASSWORD:?change me")
    assert service("fhir")["environment"]["spring.datasource.password"] == password


def test_fhir_server_is_r4_on_the_database_of_the_file() -> None:
    server, database = service("fhir")["environment"], service("fhir-db")["environment"]
    assert server["hapi.fhir.fhir_version"] == "R4"
    assert server["spring.datasource.url"] == f"jdbc:postgresql://fhir-db:5432/{database['POSTGRES_DB']}"
    assert server["spring.datasource.username"] == database["POSTGRES_USER"]


def test_every_setting_of_ours_that_is_named_is_one_that_is_read() -> None:
    named = set(re.findall(r"\bLINEDAYS_\w+", DOCKERFILE.read_text(encoding="utf-8") + COMPOSE.read_text(encoding="utf-8")))
    assert {"LINEDAYS_ZONE", "LINEDAYS_STORE", "LINEDAYS_MAPPINGS"} <= named
    assert named <= set(VARIABLES)
