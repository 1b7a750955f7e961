"""What a district is shown: page for a meeting, record, map."""
