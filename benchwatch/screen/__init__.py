"""The live screen: widgets that are functions of a snapshot."""
