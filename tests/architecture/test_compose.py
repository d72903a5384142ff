"""compose.yaml against the Compose Specification's own JSON schema, and against the commands that the demo runs.

Source of the schema: the Compose Specification (schema/compose-spec.json), as carried by the package check-jsonschema.
"""

import json
import re
import subprocess
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from rentals.runtime import processes
from rentals.runtime.bootstrap import DEVELOPMENT_MARK, LOCK, PROJECT

TEXT = (PROJECT / "compose.yaml").read_text()
COMPOSE = yaml.safe_load(TEXT)
SERVICES = COMPOSE["services"]
OURS = ("web", "worker", "beat", "migrate", "static")
SECRET = re.compile(r"PASSWORD|SECRET|_KEYS?$|_URL$")


def validator() -> Any:
    vendored = resources.files("check_jsonschema") / "builtin_schemas/vendor/compose-spec.json"
    schema = json.loads(vendored.read_text())
    kind = jsonschema.validators.validator_for(schema)
    return kind(schema)


def breaches(compose: dict[str, Any]) -> list[str]:
    """Return where a secret would have a value by default, or be written into the file."""
    found = []
    for name, service in compose["services"].items():
        for key, value in (service.get("environment") or {}).items():
            if not SECRET.search(key) or value is None:  # without a value Compose hands the environment's own on, or nothing
                continue
            references = re.findall(r"\$\{(\w+)(:?[-?+]?)", str(value))
            if "://" in str(value) and "@" not in str(value) and not references:
                found.append(f"{name}: {key} has no password")
            elif not references or any(mark != ":?" for _, mark in references):
                found.append(f"{name}: {key} has a default or a written value")
    return found


class TestSchema:
    def test_the_file_is_valid(self):
        assert list(validator().iter_errors(COMPOSE)) == []

    @pytest.mark.parametrize(
        "change",
        [
            {"services": {"web": {"helthcheck": {}}}},
            {"services": {"web": {"depends_on": {"a": {"condition": "soon"}}}}},
            {"servises": {}},
        ],
    )
    def test_a_mistake_is_seen(self, change: dict[str, Any]):
        assert list(validator().iter_errors(change))


class TestSecrets:
    def test_come_from_the_environment_and_have_no_default(self):
        assert breaches(COMPOSE) == []

    @pytest.mark.parametrize("value", ["hunter2", "${A:-hunter2}", "postgresql://office:${A}@db/office", "redis://valkey:6379"])
    def test_a_default_is_seen(self, value: str):
        assert breaches({"services": {"web": {"environment": {"DATABASE_URL": value}}}})

    def test_everything_asked_for_is_explained(self):
        assert not re.findall(r"\$\{\w+:\?\s*\}", TEXT)


class TestProcesses:
    @pytest.mark.parametrize(
        ("name", "program"),
        [
            ("web", processes.web("0.0.0.0:8000")),
            ("worker", processes.worker()),
        ],
    )
    def test_are_the_demos(self, name: str, program: Any):
        assert SERVICES[name]["command"] == ["python", *program.command[1:]]

    def test_beat_is_the_demos_but_for_where_it_keeps_its_schedule(self, tmp_path: Path):
        assert SERVICES["beat"]["command"][:-1] == ["python", *processes.beat(tmp_path).command[1:-1]]

    def test_only_migrations_sign_in_as_the_owner(self):
        owners = [name for name in OURS if "office_owner" in SERVICES[name].get("environment", {}).get("DATABASE_URL", "")]
        assert owners == ["migrate"]

    def test_wait_for_migrations_and_for_healthy_servers(self):
        for name in ("web", "worker", "beat"):
            conditions = {other: wait["condition"] for other, wait in SERVICES[name]["depends_on"].items()}
            assert conditions["migrate"] == "service_completed_successfully"
            assert conditions["postgres"] == conditions["valkey"] == "service_healthy"

    @pytest.mark.parametrize("name", ["web", "worker", "beat", "postgres", "valkey"])
    def test_long_running_ones_have_a_health_check_and_come_back(self, name: str):
        assert SERVICES[name]["healthcheck"]["test"]
        assert SERVICES[name]["restart"] == "unless-stopped"

    def test_nothing_but_the_web_server_is_reachable_and_that_only_from_this_host(self):
        assert {name: service["ports"] for name, service in SERVICES.items() if "ports" in service} == {
            "web": ["127.0.0.1:8000:8000"]
        }


class TestImage:
    def test_installs_the_runtime_part_of_the_lock(self, tmp_path: Path):
        line = re.search(r"sed '(.+?)' requirements.lock", COMPOSE["services"]["web"]["build"]["dockerfile_inline"])
        done = subprocess.run(["sed", line[1].replace("$$", "$"), str(LOCK)], capture_output=True, text=True, check=True)
        assert done.stdout.strip() == LOCK.read_text().partition(DEVELOPMENT_MARK)[0].strip()

    def test_leaves_out_what_is_not_the_program(self):
        assert {".venv", ".state", ".git", ".env"} <= set((PROJECT / ".dockerignore").read_text().split())
