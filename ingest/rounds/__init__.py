"""One round from drop to alerts, the schedule of rounds, and the replay of a past day."""
