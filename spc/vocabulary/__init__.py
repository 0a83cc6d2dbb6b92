"""What statistics and screens share: closed sets of words, the signal record, unit errors, and the range of numbers."""
