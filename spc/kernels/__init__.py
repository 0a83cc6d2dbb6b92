"""Numerical machinery behind the textbook modules: input checks, ragged arrays, likelihoods and distribution laws.

Nothing here knows a lot, a stream or a lab.
"""
