"""The job map: a plan as one self-contained page."""
