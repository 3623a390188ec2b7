"""Who may call: clients with hashed keys and certificates, bearer tokens, and the scopes of routes."""
