"""The grounds: where they stand, the leads, their size, the rods, the earth and the steps."""
