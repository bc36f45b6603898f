"""The log: records to SQLite and audio files, and back. Only this layer knows SQLite."""
