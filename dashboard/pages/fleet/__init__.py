"""All cranes beside each other."""
