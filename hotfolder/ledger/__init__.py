"""What is known of every job, durably: SQLite, the chain of records, and who may write."""
