"""Crates that ship test files, fetched by cargo beside the project's own; nothing of them is kept here."""

import functools
import json
import subprocess
import tempfile
from pathlib import Path

VERSIONS = {"ndarray-npy": "=0.10.0", "npyz": "=0.9.1", "wavers": "=1.5.1"}


@functools.cache
def crates():
    """The folder of each crate's source."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "src").mkdir()
        (Path(folder) / "src" / "lib.rs").touch()
        needs = "".join(f'{name} = {{ version = "{v}", default-features = false }}\n' for name, v in VERSIONS.items())
        head = '[package]\nname = "foreign"\nversion = "0.0.0"\nedition = "2021"\n[dependencies]\n'
        (Path(folder) / "Cargo.toml").write_text(head + needs)
        command = ["cargo", "metadata", "--format-version", "1"]
        told = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True, timeout=300)
    packages = json.loads(told.stdout)["packages"]
    return {p["name"]: Path(p["manifest_path"]).parent for p in packages if p["name"] in VERSIONS}
