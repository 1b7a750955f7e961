"""What only verifies: exact shapes, hand-worked examples, published values."""
