"""Documents about verdicts: bags, conformity, comparison, reports."""
