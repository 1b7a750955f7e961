"""For a trainer: page, record, map and words."""
