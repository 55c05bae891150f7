"""``python -m gridground``."""

from gridground.cli import main

raise SystemExit(main())
