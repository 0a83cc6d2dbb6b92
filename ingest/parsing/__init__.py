"""From the bytes of a drop to typed rows and rejections.

Nothing here writes to the store.
"""
