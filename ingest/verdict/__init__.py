"""Answers about verdicts that are worked out when asked: proofs, plans, risks, comparisons, other limits, test reports."""
