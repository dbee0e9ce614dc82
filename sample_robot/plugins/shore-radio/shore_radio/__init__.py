"""Messages between raft and boat house."""
