"""Every question, from files to its answer."""
