"""The meters held against the published cases: what `fairtake measure --conformance` prints."""
