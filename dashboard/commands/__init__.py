"""What the command line does, by kind of command."""
