"""Self-describing blocks: layout, payload, encoding and decoding, without any I/O."""
