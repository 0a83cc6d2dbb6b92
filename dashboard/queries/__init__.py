"""What pages and commands read from the store, as documents."""
