"""Sound files: the only place that opens a take, writes WAV and MP3, and runs the encoder."""
