"""Numerical methods behind the textbook modules: input checks, ragged arrays and likelihoods.

Nothing here depends on a lot, a stream or a lab.
"""
