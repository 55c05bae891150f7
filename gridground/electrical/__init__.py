"""The electrical side: line constants, sources, faults, clearing times, the phasor network."""
