"""Documents about the bench: loads, instruments, captures."""
