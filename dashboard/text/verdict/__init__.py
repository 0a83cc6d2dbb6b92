"""Words about verdicts."""
