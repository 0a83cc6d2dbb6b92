"""Papers about verdicts: the comparison of candidates and the test report of a lot."""
