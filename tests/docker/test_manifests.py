"""Compose file and Kubernetes manifests: against their published schemas, the image and the service."""

from __future__ import annotations

import dataclasses
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml

import ballgauge
from ballgauge_service.web.http.settings import PREFIX, Settings
from ballgauge_service.web.server import server

DOCKER = Path(__file__).parent.parent.parent / "docker"
KUBERNETES = DOCKER / "kubernetes"
MANIFESTS = sorted(path for path in KUBERNETES.glob("*.yaml") if path.name != "kustomization.yaml")

Instructions = list[dict[str, str]]
Document = dict[str, Any]


def manifest(name: str) -> Document:
    found: Document = yaml.safe_load((KUBERNETES / f"{name}.yaml").read_text())
    return found


@pytest.fixture
def pod() -> Document:
    found: Document = manifest("deployment")["spec"]["template"]["spec"]
    return found


@pytest.fixture
def container(pod: Document) -> Document:
    (found,) = pod["containers"]
    return dict(found)


@pytest.fixture
def compose() -> Document:
    found: Document = yaml.safe_load((DOCKER / "compose.yaml").read_text())
    return found


def seconds_to_end() -> float:
    """The longest that the server takes to end after SIGTERM, with the default settings."""
    return Settings().drain + Settings().ending + server.KILLED


@pytest.mark.parametrize("path", MANIFESTS, ids=lambda path: path.stem)
@pytest.mark.parametrize("version", ["1.31", kubernetes_validate.latest_version()])
def test_manifests_pass_the_published_schemas(path: Path, version: str) -> None:
    """Kubernetes' own OpenAPI schemas, with no field that they do not know."""
    kubernetes_validate.validate(yaml.safe_load(path.read_text()), version, strict=True)


def test_the_kustomization_takes_every_manifest(container: Document) -> None:
    held = manifest("kustomization")
    assert sorted(held["resources"]) == [path.name for path in MANIFESTS]
    (image,) = held["images"]
    assert image["name"] == container["image"]
    assert image["newTag"] == ballgauge.__version__


def test_selectors_find_the_pods() -> None:
    labels = manifest("deployment")["spec"]["template"]["metadata"]["labels"]
    assert manifest("deployment")["spec"]["selector"]["matchLabels"] == labels
    assert manifest("service")["spec"]["selector"] == labels
    assert manifest("disruptionbudget")["spec"]["selector"]["matchLabels"] == labels
    assert manifest("networkpolicy")["spec"]["podSelector"]["matchLabels"] == labels
    for constraint in manifest("deployment")["spec"]["template"]["spec"]["topologySpreadConstraints"]:
        assert constraint["labelSelector"]["matchLabels"] == labels
    target = manifest("autoscaler")["spec"]["scaleTargetRef"]
    assert target["name"] == manifest("deployment")["metadata"]["name"]
    assert "replicas" not in manifest("deployment")["spec"]


def test_ports_agree_with_the_image(
    container: Document, instructions: Instructions, compose: Document
) -> None:
    (exposed,) = [int(one["value"]) for one in instructions if one["instruction"] == "EXPOSE"]
    (port,) = container["ports"]
    assert port["containerPort"] == exposed
    named = {port["name"]}
    assert {one["targetPort"] for one in manifest("service")["spec"]["ports"]} == named
    allowed = [rule["port"] for one in manifest("networkpolicy")["spec"]["ingress"] for rule in one["ports"]]
    assert set(allowed) == named
    for command in (container["args"], compose["services"]["service"]["command"]):
        assert command[command.index("--port") + 1] == str(exposed)
    assert f"http://service:{exposed};" in (DOCKER / "proxy" / "upstream.conf").read_text()
    scraped = yaml.safe_load((DOCKER / "prometheus" / "prometheus.yaml").read_text())["scrape_configs"]
    assert scraped[0]["static_configs"] == [{"targets": [f"service:{exposed}"]}]


def test_arguments_are_options_of_serve(container: Document, compose: Document) -> None:
    """Against the command's own help."""
    told = subprocess.run(
        [sys.executable, "-m", "ballgauge", "serve", "--help"], capture_output=True, text=True, check=True
    ).stdout
    for command in (container["args"], compose["services"]["service"]["command"]):
        for option in command:
            if option.startswith("--"):
                assert re.search(rf"^ +{option} ", told, re.MULTILINE), option


def test_probes_ask_addresses_that_are_there(container: Document, app: Any) -> None:
    """Against the application's own routes; none of them needs a key."""
    from ballgauge_service.web.access.access import needed

    routes = {rule.rule for rule in app.url_map.iter_rules() if "GET" in (rule.methods or ())}
    asked = {
        name: container[f"{name}Probe"]["httpGet"]["path"] for name in ("startup", "readiness", "liveness")
    }
    assert asked == {"startup": "/readyz", "readiness": "/readyz", "liveness": "/healthz"}
    for name, path in asked.items():
        assert path in routes
        assert needed(path) is None
        assert container[f"{name}Probe"]["httpGet"]["port"] == "http"


def test_variables_are_settings_that_can_be_read(container: Document, compose: Document) -> None:
    """Against the service's own reader, which refuses values it cannot use."""
    known = {PREFIX + field.name.upper() for field in dataclasses.fields(Settings)}
    for given in (
        {one["name"]: one["value"] for one in container["env"]},
        compose["services"]["service"]["environment"],
    ):
        ours = {name: value for name, value in given.items() if name.startswith(PREFIX)}
        assert set(ours) <= known
        assert Settings.from_environment(ours).environment().keys() == ours.keys()
        assert set(given) - set(ours) <= {"XDG_CACHE_HOME"}


def test_nothing_is_cut_off_when_a_pod_ends(pod: Document, container: Document, compose: Document) -> None:
    """The time given is longer than what the server may take."""
    *_, waits = container["lifecycle"]["preStop"]["exec"]["command"]
    waited = int(waits.removeprefix("import time; time.sleep(").removesuffix(")"))
    assert pod["terminationGracePeriodSeconds"] > waited + seconds_to_end()
    assert int(compose["services"]["service"]["stop_grace_period"].removesuffix("s")) > seconds_to_end()


def test_the_proxy_waits_longer_than_the_deadline() -> None:
    text = (DOCKER / "proxy" / "nginx.conf").read_text()
    waits = [int(seconds) for seconds in re.findall(r"proxy_read_timeout (\d+)s;", text)]
    assert min(waits) > Settings().deadline


def test_pods_keep_the_restricted_standard(
    pod: Document, container: Document, instructions: Instructions
) -> None:
    """Kubernetes' Pod Security Standard "restricted", and a root that cannot be written to."""
    assert manifest("namespace")["metadata"]["labels"]["pod-security.kubernetes.io/enforce"] == "restricted"
    user = next(one["value"] for one in instructions if one["instruction"] == "USER")
    assert f"{pod['securityContext']['runAsUser']}:{pod['securityContext']['runAsGroup']}" == user
    assert pod["securityContext"]["runAsNonRoot"] is True
    assert pod["securityContext"]["seccompProfile"] == {"type": "RuntimeDefault"}
    assert container["securityContext"] == {
        "allowPrivilegeEscalation": False,
        "readOnlyRootFilesystem": True,
        "privileged": False,
        "capabilities": {"drop": ["ALL"]},
    }
    assert not {"hostNetwork", "hostPID", "hostIPC"} & set(pod)
    assert pod["automountServiceAccountToken"] is False


def test_what_is_mounted_is_there_and_only_that_can_be_written(pod: Document, container: Document) -> None:
    mounts = {mount["name"]: mount for mount in container["volumeMounts"]}
    volumes = {volume["name"]: volume for volume in pod["volumes"]}
    assert mounts.keys() == volumes.keys()
    written = [name for name, mount in mounts.items() if not mount.get("readOnly")]
    assert all(volumes[name]["emptyDir"]["sizeLimit"] for name in written)
    variables = {one["name"]: one["value"] for one in container["env"]}
    assert variables["XDG_CACHE_HOME"] == mounts["cache"]["mountPath"]
    assert Path(variables["BALLGAUGE_ACCESS_KEYS"]).parent == Path(mounts["access-keys"]["mountPath"])
    assert {"secret"} == set(volumes["access-keys"]) - {"name"}


def test_a_mounted_file_of_keys_is_one_that_the_service_takes(pod: Document, tmp_path: Path) -> None:
    """It refuses what others can read; a secret has the mode that the manifest says, in decimal."""
    (volume,) = [volume for volume in pod["volumes"] if "secret" in volume]
    file = tmp_path / "access.toml"
    command = [sys.executable, "-m", "ballgauge", "access"]
    key = ("shop-1", "--file", str(file), "--scope", "check", "--until", "2999-12-31")
    subprocess.run([*command, "add", *key], check=True, capture_output=True)
    for mode, code in ((volume["secret"]["defaultMode"], 0), (0o444, 2)):
        file.chmod(mode)
        done = subprocess.run([*command, "list", "--file", str(file)], capture_output=True, text=True)
        assert done.returncode == code, done.stderr


def test_resources_are_asked_for_and_held(container: Document) -> None:
    held = container["resources"]
    assert {"cpu", "memory"} <= held["requests"].keys()
    assert "memory" in held["limits"]
    assert manifest("autoscaler")["spec"]["minReplicas"] >= 2


def test_the_compose_file_passes_the_published_schema() -> None:
    """The Compose Specification's, as check-jsonschema carries it."""
    done = subprocess.run(
        [
            *(sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec"),
            str(DOCKER / "compose.yaml"),
        ],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout


def test_compose_opens_the_proxy_alone(compose: Document) -> None:
    """The service has no port outside, and its network no way out; Prometheus is for this machine alone."""
    services = compose["services"]
    assert "ports" not in services["service"]
    assert services["service"]["networks"] == ["inside"]
    assert compose["networks"]["inside"] == {"internal": True}
    assert all(port.startswith("127.0.0.1:") for port in services["prometheus"]["ports"])
    listened = {
        re.findall(r"listen (\d+)", (DOCKER / "proxy" / f"listen_{kind}.conf").read_text())[0]
        for kind in ("http", "https")
    }
    assert {port.split(":")[1] for port in services["proxy"]["ports"]} == listened


def test_compose_gives_no_container_more_than_it_needs(compose: Document) -> None:
    for name, service in compose["services"].items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert service["mem_limit"], name
        assert not re.search(r":latest$|^[^:]+$", service["image"]), name


def test_what_compose_mounts_is_there(compose: Document) -> None:
    """Every file but those that whoever runs it gives: certificates and secrets."""
    for service in compose["services"].values():
        for volume in service.get("volumes", ()):
            source = volume.split(":")[0]
            if source.startswith("./"):
                assert (DOCKER / source).is_file(), source
    nginx = (DOCKER / "proxy" / "nginx.conf").read_text()
    mounted = [Path(volume.split(":")[1]).name for volume in compose["services"]["proxy"]["volumes"]]
    for included in re.findall(r"include ([\w.]+);", nginx):
        assert included in mounted
    assert json.dumps(compose).count("BALLGAUGE_ACCESS_KEYS") == 1
