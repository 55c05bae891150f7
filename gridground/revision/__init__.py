"""A plan made anew: the field record, the values measured, and what changed between two plans."""
