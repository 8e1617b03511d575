"""The service: scan, settle, claim, hand to a worker, recover, say how it is."""
