"""The episode: the record of one restraint of one patient, as frozen data."""
