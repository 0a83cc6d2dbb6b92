"""Routes that send a file."""
