"""Alerts about the bench, the climate and the feeds; attribution of supplier alerts; the delivery queue."""
