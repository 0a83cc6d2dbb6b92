"""`lab.toml`: its models, its checks and what it declares at a given date."""
