"""The arrow between the packages: agent -> checks -> reports, and the top level as designed."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FORBIDDEN = {"reports": {"checks", "agent", "tests"}, "checks": {"agent", "tests"}, "agent": {"tests"}}


def imported(source: str) -> set[str]:
    """The top-level packages that a module imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names.add(node.module.split(".")[0])
    return names


def modules(package: str) -> list[Path]:
    found = sorted((ROOT / package).rglob("*.py"))
    assert found, f"no modules in {package}: the test would prove nothing"
    return found


@pytest.mark.parametrize("package", FORBIDDEN)
def test_imports_point_one_way(package):
    wrong = {
        str(path.relative_to(ROOT)): sorted(imported(path.read_text()) & FORBIDDEN[package])
        for path in modules(package)
    }

    assert {path: names for path, names in wrong.items() if names} == {}


def test_the_test_sees_a_wrong_import():
    assert imported("def f():\n    from agent.planning.plan import Plan") & FORBIDDEN["reports"] == {"agent"}


def test_help_imports_nothing_heavy():
    heavy = ("numpy", "jsonschema", "cattrs", "sqlalchemy", "cryptography", "rich", "pyroute2", "jinja2")
    script = (
        "import sys, contextlib, io, agent.cli\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):\n"
        "    agent.cli.main(['--help'])\n"
        f"print(sorted(set({heavy!r}) & set(sys.modules)))"
    )

    command = [sys.executable, "-c", script]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)

    assert done.stdout.strip() == "[]"


def test_the_version_is_said_in_one_place():
    from agent.running.versions import program_version

    assert f'version = "{program_version()}"' in (ROOT / "pyproject.toml").read_text()
