"""Packages that ship files of their own, fetched by their registries' clients; nothing of them is kept here.
And what became of such files, counted by format for the table at the end of the tests."""

import collections
import functools
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

REPO = Path(__file__).resolve().parents[2]
CRATES = {"ndarray-npy": "=0.10.0", "npyz": "=0.9.1", "wavers": "=1.5.1"}
NPM = {"h5wasm": "0.10.3"}
SDISTS = {"pymust": "0.1.9", "vallenae": "0.14.0", "mistrasdta": "0.1.7"}
# Of one fetching; sdists build their metadata on the way.
FETCH_TIMEOUT_S = 300


@functools.cache
def crates():
    """The folder of each crate's source."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "src").mkdir()
        (Path(folder) / "src" / "lib.rs").touch()
        needs = "".join(f'{name} = {{ version = "{v}", default-features = false }}\n' for name, v in CRATES.items())
        head = '[package]\nname = "foreign"\nversion = "0.0.0"\nedition = "2021"\n[dependencies]\n'
        (Path(folder) / "Cargo.toml").write_text(head + needs)
        command = ["cargo", "metadata", "--format-version", "1"]
        told = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True, timeout=FETCH_TIMEOUT_S)
    packages = json.loads(told.stdout)["packages"]
    return {p["name"]: Path(p["manifest_path"]).parent for p in packages if p["name"] in CRATES}


def npm_package(name):
    """The folder of a package of npm, as it is published."""
    return unpacked(name, NPM[name], ["npm", "pack", "--silent", "--ignore-scripts", f"{name}@{NPM[name]}"])


def sdist(name):
    """The folder of a Python package's source."""
    version = SDISTS[name]
    pip = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
    return unpacked(name, version, [*pip, "--no-binary", name, f"{name}=={version}"])


def unpacked(name, version, command):
    """The folder of a package, fetched by a command that leaves its archive where it runs.

    It stays beside what cargo builds, so that a registry is asked once."""
    kept = Path(os.environ.get("CARGO_TARGET_DIR", REPO / "target")) / "foreign"
    folder = kept / f"{name}-{version}"
    if not folder.exists():
        kept.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=kept) as place:
            # Compiling what builds the metadata would take five times as long as all the rest.
            how = {"cwd": place, "env": os.environ | {"PIP_NO_COMPILE": "1"}, "timeout": FETCH_TIMEOUT_S}
            done = subprocess.run(command, **how, capture_output=True, text=True, check=False)
            assert done.returncode == 0, f"{name} {version} could not be fetched\n{done.stdout}\n{done.stderr}"
            archives = [path for path in Path(place).iterdir() if path.name.endswith((".tgz", ".tar.gz"))]
            assert len(archives) == 1, f"{name} {version}: {archives}"
            (Path(place) / "files").mkdir()
            unpack = ["tar", "-xzf", archives[0], "-C", Path(place) / "files"]
            subprocess.run(unpack, check=True, timeout=FETCH_TIMEOUT_S)
            (Path(place) / "files").rename(folder)
    inner = list(folder.iterdir())
    assert len(inner) == 1, f"{name} {version}: {inner}"
    return inner[0]


# --- what became of the files ------------------------------------------------------------------------

COLUMNS = ("read equal", "refused with the reason", "damaged: read", "damaged: refused")
COUNTS = collections.defaultdict(collections.Counter)


def count(kind, column, number=1):
    """Adds files (of MATLAB, HDF5 and archives: their variables) of a format to a column of the table."""
    assert column in COLUMNS
    COUNTS[kind][column] += number


def table():
    """The counts as lines, one a format."""
    head = f"{'format':<8}" + "".join(f"  {column:>{len(column)}}" for column in COLUMNS)
    row = lambda kind, told: f"{kind:<8}" + "".join(f"  {told[c]:>{len(c)}}" for c in COLUMNS)
    return [head, *(row(kind, COUNTS[kind]) for kind in sorted(COUNTS))]
