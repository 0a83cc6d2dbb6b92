"""Words and numbers as people read them: formatting, subject names, CSV cells, terminal text."""
