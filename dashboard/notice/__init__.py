"""The notice to a supplier about one alert."""
