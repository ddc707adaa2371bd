"""The four files of a job, as immutable models with located errors."""
