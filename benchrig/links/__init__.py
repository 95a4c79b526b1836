"""Ways to an instrument: bytes out, bytes in. See `base.Link`."""
