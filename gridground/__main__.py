"""``python -m gridground``."""

from gridground.cli import run

raise SystemExit(run())
