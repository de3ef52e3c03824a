"""Before the run: what a repair disturbed, the plan, the sheet to rebuild by."""
