"""What people entered: the audit log, accounts and passwords."""
