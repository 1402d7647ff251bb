"""Pictures, tables and documents made from solutions."""
