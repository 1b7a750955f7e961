"""For a household: page, record, map and figures."""
