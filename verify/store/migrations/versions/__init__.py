"""The schemas, oldest first."""
