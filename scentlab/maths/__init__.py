"""Arrays in, arrays out: the statistics under the fits. No frames, no widgets, no files."""
