"""Our own JSON: bytes in, an episode out; what cannot be read is refused with a pointer."""
