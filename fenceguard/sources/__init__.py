"""Where a live receiver's bytes come from."""
