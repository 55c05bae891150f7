"""gridground plans temporary protective grounding on the map."""

__version__ = "0.1.0"
