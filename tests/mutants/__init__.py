"""Mutation run: change one line of the product at a time and see which test notices. Start it with `make mutants`.

No part of the test suite: it takes minutes for each file. The tool itself is tested in `test_mutants.py`.
"""
