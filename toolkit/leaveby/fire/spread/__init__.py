"""How fast, in which shape and how wrong: rate of spread, ellipse, flames, model error."""
