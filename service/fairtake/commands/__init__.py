"""The commands, a file each; each loads only what it needs."""
