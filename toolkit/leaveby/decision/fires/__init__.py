"""The scenario and what every member's fire does to the roads."""
