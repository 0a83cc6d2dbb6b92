"""Messages that leave the lab: mail, webhook, weekly digest."""
