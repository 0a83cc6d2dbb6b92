"""From the sessions of one stream to its chart points, baseline, verdicts, forecast and alert episodes."""
