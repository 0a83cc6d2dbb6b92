"""Files, time and the store: from a dropped CSV file to evaluated streams."""
