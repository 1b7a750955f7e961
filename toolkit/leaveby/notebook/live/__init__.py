"""Maps to move and zoom without internet."""
