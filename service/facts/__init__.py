"""Facts: what follows from the record, as flat typed attributes that rules can ask for."""
