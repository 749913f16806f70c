"""The views, one module each: a stack of blocks and the words that explain them."""
