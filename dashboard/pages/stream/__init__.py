"""The page of a stream and the forms of its limits."""
