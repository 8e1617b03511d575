"""The ear: a small learned net that hears, every 10 ms, what a take consists of."""
