"""The stages of the chain, one file each, all of one shape."""
