"""`lab.toml`: its models, its checks, and the declared limits on a given day."""
