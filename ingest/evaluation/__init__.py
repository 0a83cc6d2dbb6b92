"""Evaluate streams with `spc` and store the results and the alerts of single streams."""
