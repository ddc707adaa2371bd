"""From a job and its circuit to ordered steps, as data: complete and printable before anything moves."""
