"""Who may call: clients with hashed keys and certificates, bearer tokens, and what each route asks for."""
