"""The verb ``schema``: the JSON Schema of an input file."""

from __future__ import annotations

import argparse
import json

from dosewright.gen.problems import Exit

DESCRIPTION = (
    "Print the JSON Schema (draft 2020-12) of an input file. Editors that know TOML complete and explain\n"
    'every field with it: put "#:schema ./machine.schema.json" into the first line of machine.toml.'
)
EXAMPLE = "dosewright schema machine > machine.schema.json"
NAMES = ("machine", "recipes", "loaded", "calibration")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", choices=NAMES, help="which input file")


def run(arguments: argparse.Namespace) -> int:
    from dosewright.gen.schema import schema_of

    print(json.dumps(schema_of(arguments.file), indent=2, ensure_ascii=False))
    return Exit.DONE
