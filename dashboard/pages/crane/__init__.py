"""One crane: where it stands now, what it did, its faults and the use that is left out."""
