"""Print the JSON schema (Draft 2020-12) of settings files, so that an editor completes and checks them.

Example:
  windingd schema > windingd.schema.json
  then, as the first line of a settings file (read by editors with a YAML language server):
  # yaml-language-server: $schema=windingd.schema.json
"""

from __future__ import annotations

import argparse
import json
from typing import Any

from collector.settings.model import Settings

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def add(parser: argparse.ArgumentParser) -> None:
    """No arguments."""


def schema() -> dict[str, Any]:
    """The JSON schema of a settings file, derived from the settings' model."""
    return {"$schema": DIALECT, **Settings.model_json_schema(mode="validation"), "title": "windingd settings"}


def run(args: argparse.Namespace) -> int:
    print(json.dumps(schema(), indent=2, ensure_ascii=True))
    return 0
