"""The raft's own program: starts what the plan enables, on the lines that the plan gave."""
