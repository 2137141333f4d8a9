"""Reading set lists: every key, every fault with its line and column, and attacks on the reader."""
