"""What a night came to, in sentences: read from the record, judged, and told without a language."""
