"""The run store: what was measured, with what, when, and what became of it.

`harness.records.run` holds the values, `harness.records.store` opens a store; only the latter loads
SQLAlchemy.
"""
