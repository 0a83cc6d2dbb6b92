"""The audit bundle of a supplier's quarter."""
