"""Practice runs with a watch, and what a plan's times learn from them."""
