"""The quarterly supplier scorecard in all its forms."""
