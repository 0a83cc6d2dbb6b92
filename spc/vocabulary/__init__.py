"""The closed sets of words (verdicts, kinds, grades, states) and the signal record that all statistics share."""
