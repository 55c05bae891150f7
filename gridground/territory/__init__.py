"""The territory: read (formats, names, units), check (column rules) and network (ways out)."""
