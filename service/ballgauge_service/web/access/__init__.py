"""Who may ask, and how much: keys, scopes, limits."""
