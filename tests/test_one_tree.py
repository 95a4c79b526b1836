"""The engine, the drivers, the doubles and the procedures come from one tree, wherever Python is started."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PARTS = ("benchrig", "drivers", "sim_instruments", "procedures")
WHERE = """
import importlib, json
import benchrig, benchrig.instruments as i
names = ("benchrig", "benchrig.drivers", "benchrig.sim_instruments", "benchrig.procedures")
files = [str(importlib.import_module(name).__file__) for name in names]
print(json.dumps([files, i.driver_names(), i.load_driver("fs9721").__module__]))
"""


@pytest.fixture
def other(tmp_path):
    """Another checkout than the one that is installed, with a driver of its own."""
    tree = tmp_path / "other"
    for part in PARTS:
        shutil.copytree(ROOT / part, tree / part, ignore=shutil.ignore_patterns("__pycache__"))
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    heading = '[project.entry-points."benchrig.drivers"]\n'
    own = text.replace(heading, heading + 'only-here = "benchrig.drivers.fs9721:Fs9721Meter"\n')
    (tree / "pyproject.toml").write_text(own.replace('version = "', 'version = "9.', 1), encoding="utf-8")
    return tree


def where(folder, **environment):
    """Where Python, started in `folder`, takes each part from; names of drivers."""
    command = [sys.executable, "-c", WHERE]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True, env=os.environ | environment)
    return json.loads(done.stdout)


def test_started_in_a_checkout_every_part_is_from_there(other):
    files, drivers, _ = where(other)
    assert {Path(file).resolve().parent.parent for file in files} == {other.resolve()}
    assert "only-here" in drivers
    assert set(drivers) == {*where(ROOT)[1], "only-here"}


def test_started_elsewhere_every_part_is_from_where_it_is_installed(tmp_path):
    files, drivers, _ = where(tmp_path)
    assert len({Path(file).resolve().parent.parent for file in files}) == 1
    assert "only-here" not in drivers


def test_a_checkout_that_nobody_installed_runs(other):
    """Nothing of benchrig's own metadata is needed: `-S` leaves out what is installed, its paths are given back."""
    libraries = [path for path in sys.path if path.endswith("site-packages")]
    program = (
        "import sys; sys.path[:0] = ['']; sys.path += " + repr(libraries) + "\n"
        "from benchrig import cli\nassert cli.run(['--version']) == 0\nassert cli.run(['check', 'skerry14/adjust', "
        "'--bench', 'skerry14/bench']) in (0, 1)\n"
    )
    done = subprocess.run([sys.executable, "-S", "-c", program], cwd=other, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("benchrig 9.")


def test_a_child_is_of_the_same_tree_whatever_folder_it_is_started_in(other):
    """The command line of the installed tree, in the folder of another one: its doubles must not come from there."""
    program = (
        f"import sys; sys.path[:0] = [{str(ROOT)!r}]\n"
        "import subprocess\nfrom benchrig.checkout import in_child\n"
        "command, environment = in_child('benchrig.checkout')\n"
        "command = [*command[:2], '-c', 'import benchrig.sim_instruments as s; print(s.__file__)']\n"
        "print(subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout)\n"
    )
    done = subprocess.run([sys.executable, "-P", "-c", program], cwd=other, capture_output=True, text=True, check=True)
    assert Path(done.stdout.strip()).resolve().is_relative_to(ROOT)
