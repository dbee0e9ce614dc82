"""Live page of the raft for a tablet on the shore."""
