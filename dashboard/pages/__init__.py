"""The pages, one a file: each answers one question and reads the store through `dashboard.views`."""
