"""First versions of a job's files: from a few answers, or from a netlist."""
