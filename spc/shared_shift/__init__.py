"""Search for shifts that suppliers share, their likely sources on the bench, and the alerts that such a shift explains."""
