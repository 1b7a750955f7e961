"""For a community: page, record and map."""
