"""A review as data for machines: JSON, FHIR OperationOutcome, SVRL, CDS Hooks cards; and the document about formats."""
