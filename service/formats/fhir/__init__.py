"""FHIR R4 in: the codes that are known, the profile we suggest, and the readers of each kind of resource."""
