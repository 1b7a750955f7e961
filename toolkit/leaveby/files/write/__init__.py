"""Writers: one module for each kind of file, all or none."""
