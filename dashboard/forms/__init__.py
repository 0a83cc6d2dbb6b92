"""The forms of a scorecard, a module a form: each lays out the same document and computes nothing."""
