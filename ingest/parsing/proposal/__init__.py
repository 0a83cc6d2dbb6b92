"""Propose and preview the source of a file that nobody has declared."""
