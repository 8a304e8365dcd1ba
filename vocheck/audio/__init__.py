"""The only room that touches sound files: opening, decoding, encoding, and Broadcast WAV chunks."""
