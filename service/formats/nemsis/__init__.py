"""NEMSIS v3.5 in: hardened parsing, the elements that are read, and custom elements by mapping files."""
