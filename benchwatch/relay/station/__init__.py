"""What a station sends: batches of its journal and registers, and live lines while a desk looks."""
