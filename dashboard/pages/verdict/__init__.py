"""Pages that answer a question about verdicts."""
