"""Where the fire may be: trigger lines, landmarks, which way out."""
