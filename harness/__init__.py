"""The core: from a job's files to readings, verdicts, records and a report."""
