"""Whether the figures can be believed, and files that are read in."""
