"""Search for shifts that suppliers share, their likely sources on the bench, and how much of each level they explain."""
