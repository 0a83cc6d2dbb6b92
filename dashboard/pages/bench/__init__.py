"""The page of the bench and its neighbours."""
