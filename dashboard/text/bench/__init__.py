"""Words about the bench."""
