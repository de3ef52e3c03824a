"""A verifier of another project, in another language, takes our report and refuses a changed one."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.signed import opened, signed

HERE = Path(__file__).parent
VECTORS = HERE.parent / "vectors" / "proofs"

pytestmark = pytest.mark.heavy


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The verifier installed from the lock file, outside the checkout."""
    folder = tmp_path_factory.mktemp("npm")
    for name in ("package.json", "package-lock.json", "verify.mjs"):
        shutil.copy(HERE / name, folder)
    subprocess.run(["npm", "ci", "--no-audit", "--no-fund", "--ignore-scripts"], cwd=folder, check=True)
    return folder


def said(folder, document, name):
    path = folder / f"{name}.json"
    path.write_text(json.dumps(document, indent=1, ensure_ascii=False))
    run = subprocess.run(
        ["node", "verify.mjs", path], cwd=folder, capture_output=True, text=True, check=False
    )
    return run.returncode, run.stdout.split()[:1]


def test_the_verifier_itself_takes_the_published_vector_and_refuses_it_changed(folder):
    published = json.loads((VECTORS / "eddsa-jcs-2022-w3c.json").read_text())["signed"]

    assert said(folder, published, "w3c") == (0, ["holds"])
    assert said(folder, published | {"name": "x"}, "w3c-changed") == (1, ["refused"])


@pytest.mark.parametrize("make", [signed, opened, lambda: signed()["credential"]])
def test_reports_records_and_credentials_of_ours_hold_elsewhere(folder, make):
    assert said(folder, make(), "ours") == (0, ["holds"])


@pytest.mark.parametrize("member", ["verdict", "technician", "findings", "order"])
def test_a_changed_report_is_refused_elsewhere(folder, member):
    assert said(folder, signed() | {member: "changed"}, "changed") == (1, ["refused"])
