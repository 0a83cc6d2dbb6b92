"""Distributions behind the textbook modules: sums and ratios of normal values, their bounds, walks and run patterns.

The modules take and return arrays; input checks and array types are in `spc.kernels`.
"""
