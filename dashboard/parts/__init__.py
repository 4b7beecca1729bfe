"""Building blocks that several pages share."""
