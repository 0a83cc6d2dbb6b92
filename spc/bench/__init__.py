"""The instruments and the air of the bench: humidity, calibration, waveforms."""
