"""The keeper: takes batches from the broker, commits them to the central record, then answers."""
