"""One machine's history as arrays: steps, trend, forecast. Pure: time comes in as an argument, randomness too.

`fleet` follows; `findings` and `followed` hold what it found. Nothing is imported here, so that what only shows
findings need not wait for what finds them.
"""
