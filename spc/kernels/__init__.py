"""Numerical methods behind the textbook modules: input checks, ragged arrays, likelihoods and distributions.

Nothing here depends on a lot, a stream or a lab.
"""
