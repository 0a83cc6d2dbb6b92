"""Figures of a supplier's quarter: lots, statistics, notices and scores."""
