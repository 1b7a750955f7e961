"""The door to the disk: the only rooms that read or write files."""
