"""Find drops, store their rows, archive the files."""
