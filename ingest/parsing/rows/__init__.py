"""From text cells to typed rows and rejections, one file a kind of feed."""
