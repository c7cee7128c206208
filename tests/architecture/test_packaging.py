"""Do the project's files agree with each other, and do they name nothing of one machine?"""

import os
import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
MADE = {"build", "demo-session", "__pycache__"}  # what our own commands leave behind

# A folder of one person's or one machine's disk; a host that serves packages.
PLACES = re.compile(
    r"(?<![\w.)}>-])/(?:work|tmp|root|home|opt|mnt|Users)/"
    r"|pypi\.|pythonhosted\.|npmjs\.|anaconda\.|debian\.org|ubuntu\.com"
)


def project_files() -> list[Path]:
    files: list[Path] = []
    for folder, subfolders, names in os.walk(ROOT):
        subfolders[:] = [
            name
            for name in subfolders
            if name not in MADE
            and not name.endswith(".egg-info")
            and (name == ".ci" or not name.startswith("."))
        ]
        files += [Path(folder) / name for name in names]
    return files


def locked() -> dict[str, str]:
    text = (ROOT / "requirements.lock").read_text("utf-8")
    return dict(re.findall(r"^([a-z0-9-]+)==([^\s;]+)", text, re.MULTILINE))


def asked_for() -> list[Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    extras = project["project"]["optional-dependencies"].values()
    lines = [
        *project["build-system"]["requires"],
        *project["project"]["dependencies"],
        *(line for extra in extras for line in extra),
    ]
    return [Requirement(line) for line in lines]


def test_no_file_names_a_machine_or_a_registry() -> None:
    files = project_files()
    assert ROOT / "lab" / "errors.py" in files
    found = [
        f"{path.relative_to(ROOT)}: {place.group()}"
        for path in files
        if (place := PLACES.search(path.read_text("utf-8", errors="replace")))
    ]
    assert found == []


@pytest.mark.parametrize("place", ["/home", "/Users", "/tmp"])
def test_machine_path_is_seen(place: str) -> None:
    assert PLACES.search(f'folder = "{place}/me"')
    assert not PLACES.search(f"frames{place}/me")


@pytest.mark.parametrize(("host", "end"), [("pypi", "org"), ("files.pythonhosted", "org")])
def test_registry_is_seen(host: str, end: str) -> None:
    assert PLACES.search(f"--index-url {host}.{end}/simple")


def test_developers_guide_names_only_what_is_there() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = set(re.findall(r"`((?:lab|reports|targets|tests)/[\w./]*)`", guide))
    assert len(named) > 20
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []


def test_one_lock_file() -> None:
    locks = {"Pipfile.lock", "pdm.lock", "poetry.lock", "pylock.toml", "uv.lock"}
    assert [path for path in project_files() if path.name in locks] == []


def test_lock_pins_all_that_the_project_asks_for() -> None:
    versions = locked()
    wrong = [
        str(requirement)
        for requirement in asked_for()
        if not requirement.specifier.contains(
            versions.get(canonicalize_name(requirement.name), "0"), prereleases=True
        )
    ]
    assert wrong == []


def test_every_locked_package_has_a_hash() -> None:
    text = (ROOT / "requirements.lock").read_text("utf-8")
    entries = re.split(r"\n(?=\S)", text.strip())
    assert len(entries) == len(locked())
    line = re.compile(r"[a-z0-9-]+==\S+( ; [^\\]+)? \\(\n    --hash=sha256:[0-9a-f]{64}( \\)?)+")
    assert [entry for entry in entries if not line.fullmatch(entry)] == []
