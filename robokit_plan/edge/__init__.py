"""The only I/O: files, indices, caches, this machine; each module is imported by its name."""
