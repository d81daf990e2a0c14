"""Answers worked out ahead and kept beside the store, so that a desk reads what nothing has changed."""
