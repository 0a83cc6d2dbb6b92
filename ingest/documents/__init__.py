"""The documents that the store keeps and that screens, commands and papers show: one type for each document and part."""
