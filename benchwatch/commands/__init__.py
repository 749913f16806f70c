"""The commands, one module each; every one is a click command that the command line gathers."""
