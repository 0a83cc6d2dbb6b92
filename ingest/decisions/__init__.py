"""Entries that change results: responses to alerts, corrective actions, changes of limits and their preview."""
