"""From readings to test sessions: conditioning, suspect values, columns for the statistics."""
