"""How long do we need: people, vehicles, tasks, ready times and the last resort."""
