"""What lies on the shelf, how its films age, and the last day to keep each lot; derived by the round.

The statistics are in `spc.ageing`; nothing here changes a verdict or a point of a chart.
"""
