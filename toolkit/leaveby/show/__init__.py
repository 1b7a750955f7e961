"""What people see: the plan sheet, plots, maps and widgets."""
