"""Statistics and judgement of results for lots of static-control packaging.

Values in, results out: nothing in this package reads a file, a clock, a database or a global.
"""
