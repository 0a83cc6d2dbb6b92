"""Where reference figures of the tests come from: plain scripts that compute them again by quadrature or literal chains.

None of them imports the code under test. `python tests/figures/NAME.py` prints the figures of one script.
"""
