"""What several commands take in the same way."""

from __future__ import annotations

from pathlib import Path

import click

PATH = click.Path(path_type=Path)
