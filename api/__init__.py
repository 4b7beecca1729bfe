"""The http interface: the only door to the data for people and programs."""
