"""The rehearsal machine: a unit in JSON with a physical model and named faults."""
