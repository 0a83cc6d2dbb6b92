"""Plotly figures and small SVG pictures, drawn from stored figures."""
