"""Bytes in, an episode out; everything that cannot be read is refused here with a pointer."""
