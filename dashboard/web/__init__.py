"""The server: app, login, request checks, routes."""
